"""What a photo could have shown."""

import dataclasses

import numpy as np
import pytest

from rakelight.compare.sight import (
    find_chance,
    hides_rake,
    is_photo_blind,
    judge_sight,
    smallest_trusted_mm,
)
from rakelight.core.records import FaceMap, FlatPhoto, Lamp, Quality
from rakelight.photo.exposure import measure_exposure
from rakelight.photo.quality import Looks, judge_quality
from rakelight.photo.sharpness import Sharpness


def judge(survey, x_mm=50.0, y_mm=50.0, diameter_mm=3.0, **more):
    """Return chance and reason at one place."""
    sight = judge_sight(
        survey, np.array([x_mm]), np.array([y_mm]), diameter_mm=np.array([diameter_mm]), **more
    )
    return sight.chance[0], sight.reason[0]


def make_face(rgb_value=128, seen=True):
    """Return a 100 x 100 mm face at 0.5 mm per pixel."""
    return FaceMap(np.full((200, 200, 3), rgb_value, np.uint8), np.full((200, 200), seen), 0.5)


def test_chance_at_the_smallest_countable_size():
    """At the smallest countable size nine pits in ten are found, and more above it."""
    chance = find_chance(np.array([0.5, 1.0, 2.0]), 1.0)
    assert 0.9 == pytest.approx(chance[1], abs=1e-12)  # the setting's own default
    assert chance[0] < chance[1] < chance[2]


def test_chance_without_a_smallest_size():
    """When no size is a hindrance everything is found."""
    assert 1.0 == find_chance(np.array([0.1]), 0.0)[0]


def test_larger_of_the_two_limits_counts(make_survey, make_pits):
    """What was not looked for was not seen, however sharp the photo."""
    survey = make_survey(make_pits([], [], []), smallest_mm=0.6)
    assert 1.0 == smallest_trusted_mm(survey)  # the finder's own default
    assert 1.7 == smallest_trusted_mm(make_survey(make_pits([], [], []), smallest_mm=1.7))


def test_plain_place_is_seen(make_survey, make_pits):
    """A 3 mm pit in the middle of a covered face would have been listed."""
    chance, reason = judge(make_survey(make_pits([], [], []), face=make_face()))
    assert "" == reason
    assert chance > 0.99


@pytest.mark.parametrize(
    ("reason", "changes", "place"),
    [
        ("size", {}, {"diameter_mm": 0.7}),
        ("coverage", {}, {"x_mm": 150.0}),
        ("coverage", {}, {"x_mm": 99.8}),
        ("coverage", {"face": make_face(seen=False)}, {}),
        ("clipped", {"face": make_face(255)}, {}),
        ("clipped", {"face": make_face(0)}, {}),
        ("lamp", {"lamp": Lamp(270.0, 70.0)}, {"depth_share": np.array([0.1])}),
        ("photo", {"quality": Quality("retake", (), 3.0, 0.1, 0, 0, 1.0)}, {}),
    ],
)
def test_each_reason(make_survey, make_pits, reason, changes, place):
    """Size, coverage, clipping, lamp and verdict each make a place unseen, and say so."""
    survey = make_survey(make_pits([], [], []), face=make_face())
    chance, found = judge(dataclasses.replace(survey, **changes), **place)
    assert reason == found
    assert chance < 0.6


def coarse_quality(**checks):
    """Return a verdict to take the photo again, with what was complained about; 2 mm can be counted."""
    return Quality("retake", (), 0.5, 0.01, 0, 0, 2.0, checks)


@pytest.mark.parametrize(("diameter_mm", "reason"), [(1.9, "size"), (2.1, ""), (6.0, "")])
def test_too_coarse_photo_hides_only_small_pits(make_survey, make_pits, diameter_mm, reason):
    """Too coarse for the agreed 1 mm, a photo still shows what is above its smallest countable size."""
    quality = coarse_quality(complaint_too_coarse=2.0, complaint_grain=1.0)
    survey = make_survey(make_pits([], [], []), face=make_face(), quality=quality)
    assert reason == judge(survey, diameter_mm=diameter_mm)[1]


@pytest.mark.parametrize(
    "name", ["blurred", "shaken", "flash", "frontal", "overexposed", "no_detail"]
)
def test_other_reasons_to_retake_hide_every_size(name):
    """A photo that is also bad in another way is trusted for no size, however large."""
    checks = {"complaint_too_coarse": 2.0, f"complaint_{name}": 2.0}
    assert is_photo_blind(coarse_quality(**checks))
    measured = Lamp(270.0, 15.0, basis="post")
    assert not is_photo_blind(coarse_quality(**checks | {f"complaint_{name}": 1.0}), measured)


@pytest.mark.parametrize(("basis", "is_blind"), [("said", True), ("seen", True), ("post", False)])
def test_light_that_may_come_from_the_front_closes_nothing(basis, is_blind):
    """Without pits and grain only a post's shadow tells a mended face from a lamp in front of it."""
    quality = Quality("doubtful", (), 0.5, 0.01, 0, 0, 1.0, {"complaint_frontal": 1.0})
    assert is_blind == is_photo_blind(quality, Lamp(270.0, 15.0, basis=basis))
    assert is_blind == hides_rake(quality, Lamp(270.0, 15.0, basis=basis))


def test_pit_hardly_above_the_limit_is_below_sight(make_survey, make_pits):
    """A pit measured 2.1 mm, good to .2 mm, is not surely one that a photo shows from 2 mm on."""
    survey = make_survey(make_pits([], [], []), face=make_face(), smallest_mm=2.0)
    found = [
        judge(survey, diameter_mm=2.1, diameter_sd_mm=np.array([sd_mm]))[1]
        for sd_mm in (0.05, 0.2, np.nan)
    ]
    assert ["", "size", ""] == found


def test_real_verdict_on_a_coarse_photo_is_read():
    """The names and levels that the verdict writes are those that are asked for here."""
    rng = np.random.default_rng(5)
    relief = rng.normal(0, 0.1, (300, 300)).astype(np.float32)
    flat = FlatPhoto(relief, np.zeros_like(relief), 0.1, 0.5)
    rgb = np.full((300, 300, 3), 128, np.uint8)
    face = FaceMap(rgb, np.ones((300, 300), bool), 0.5)
    looks = Looks(Sharpness(0.5, 0.5, 0.5, 0.0, 1.0, 0.01, 500), measure_exposure(face, flat))
    told = dict(exif={}, smallest_mm=1.0, looks=looks)
    quality = judge_quality(face, flat, Lamp(270.0, 15.0), **told)
    flashed = judge_quality(face, flat, Lamp(270.0, 15.0), **told | {"exif": {"Flash": 25}})
    assert ("retake", False) == (quality.verdict, is_photo_blind(quality))
    assert ("retake", True) == (flashed.verdict, is_photo_blind(flashed))


def test_without_pixels_the_plan_is_the_coverage(make_survey, make_pits):
    """A record without its picture is trusted for the whole plan and nothing beyond."""
    survey = make_survey(make_pits([], [], []))
    assert "" == judge(survey, 1199, 599)[1]
    assert "coverage" == judge(survey, 1201, 599)[1]


def test_deep_pit_under_a_raking_lamp_is_no_lamp_case(make_survey, make_pits):
    """At 15 degrees even a dish of a tenth of its width stands out."""
    survey = make_survey(make_pits([], [], []), face=make_face())
    assert "" == judge(survey, depth_share=np.array([0.1]))[1]


def test_unknown_lamp_angle_is_no_reason(make_survey, make_pits):
    """Where the angle is not known, the lamp is not blamed."""
    survey = make_survey(make_pits([], [], []), face=make_face(), lamp=Lamp())
    assert "" == judge(survey, depth_share=np.array([0.01]))[1]


def test_no_places(make_survey, make_pits):
    """No places give empty arrays."""
    none = np.empty(0)
    sight = judge_sight(
        make_survey(make_pits([], [], []), face=make_face()), none, none, diameter_mm=none
    )
    assert (0, 0) == (len(sight.chance), len(sight.reason))
