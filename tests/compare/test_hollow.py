"""How hollow a place is, by its light."""

import dataclasses

import cv2
import numpy as np
import pytest

from rakelight.compare.hollow import (
    DEPTHS,
    model_cap,
    nearest_blur,
    read_mouths,
    weigh_depths,
    weigh_new,
    weigh_states,
)
from rakelight.core.records import FaceMap, Lamp
from rakelight.core.settings import CompareSettings

MM_PER_PX = 0.2
SIDE_PX = 400
GRID = np.stack(np.meshgrid(np.linspace(10, 70, 7), np.linspace(10, 70, 7)), axis=-1).reshape(-1, 2)
SIZE_MM = np.full(len(GRID), 4.0)


def light_caps(depth_share, lamp_angle_deg, *, tone=0.0, seed=0):
    """Return a face lit from the left with one cap of each depth at the places of GRID.

    Ray by ray on a fine grid: a second way to the model's answer, with noise, blur and JPEG-like
    rounding as a photo has them.
    """
    rng = np.random.default_rng(seed)
    fine = 2
    step_mm = MM_PER_PX / fine
    height = np.zeros((SIDE_PX * fine,) * 2, np.float64)
    albedo = np.ones_like(height)
    rows, cols = np.indices(height.shape)
    for (x_mm, y_mm), share in zip(GRID, np.broadcast_to(depth_share, len(GRID)), strict=True):
        away = np.hypot((cols + 0.5) * step_mm - x_mm, (rows + 0.5) * step_mm - y_mm) / SIZE_MM[0]
        albedo[away < 0.5] = 1 + tone
        if share > 0:
            lift = (0.25 - share**2) / (2 * share)
            bottom = np.sqrt(np.maximum((share + lift) ** 2 - away**2, 0)) - lift
            height = np.minimum(
                height, -np.where(away < 0.5, np.maximum(bottom, 0), 0) * SIZE_MM[0]
            )
    tangent = np.tan(np.radians(lamp_angle_deg))
    slope = np.gradient(height, step_mm, axis=1)
    # Light from the left: what rises to the right faces the lamp... and looks away when it falls.
    facing = (tangent + slope) / np.sqrt(1 + slope**2) / tangent
    level = height + cols * step_mm * tangent
    lit = level >= np.maximum.accumulate(level, axis=1) - 1e-9
    light = np.where(lit & (facing > 0), facing, 0) * 0.9 + 0.1
    picture = cv2.resize(
        (light * albedo).astype(np.float32), (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA
    )
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8) + rng.normal(0, 0.02, picture.shape)
    linear = np.clip(picture * 0.3, 0, 1)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    grey = np.clip(code * 255 + 0.5, 0, 255).astype(np.uint8)
    return FaceMap(np.repeat(grey[:, :, None], 3, axis=2), np.ones(grey.shape, bool), MM_PER_PX)


def coarsen(face, times):
    """Return the face as a camera with so many times larger pixels, blurred by .8 of them, shows it."""
    side = SIDE_PX // times
    rgb = cv2.GaussianBlur(face.rgb, (0, 0), 0.8 * times)
    rgb = cv2.resize(rgb, (side, side), interpolation=cv2.INTER_AREA)
    return FaceMap(rgb, np.ones(rgb.shape[:2], bool), face.mm_per_px * times)


def look(make_survey, make_pits, face, lamp_angle_deg, *, blur_px=0.8):
    """Return the mouths of all places of GRID in a survey of this face."""
    survey = make_survey(make_pits([], [], []), face=face, lamp=Lamp(270.0, lamp_angle_deg))
    scale = dataclasses.replace(survey.scale, mm_per_px=face.mm_per_px)
    quality = dataclasses.replace(survey.quality, blur_sigma_px=blur_px)
    survey = dataclasses.replace(survey, quality=quality, scale=scale)
    return read_mouths(survey, *GRID.T, SIZE_MM)


@pytest.mark.parametrize("lamp_angle_deg", [8, 15, 25])
@pytest.mark.parametrize("depth_share", [0.1, 0.2, 0.4])
def test_model_is_the_ray_by_ray_answer(make_survey, make_pits, depth_share, lamp_angle_deg):
    """Mean, slope and dark of a made-up cap are those of the model under the same lamp."""
    mouths = look(make_survey, make_pits, light_caps(depth_share, lamp_angle_deg), lamp_angle_deg)
    model = model_cap(lamp_angle_deg, int(nearest_blur(0.9 * MM_PER_PX / SIZE_MM[0])))
    expected = [np.interp(np.log(depth_share), np.log(DEPTHS[1:]), model[1:, k]) for k in range(3)]
    found = np.median(mouths.figures, axis=0)
    # Pixels of 1/20 diameter and the flattened background: a few hundredths of light.
    assert expected[0] == pytest.approx(found[0], abs=0.1)
    assert expected[1] == pytest.approx(found[1], rel=0.2, abs=0.15)
    assert expected[2] == pytest.approx(found[2], abs=0.12)


def test_flat_face_is_flat(make_survey, make_pits):
    """A face without pits is most likely flat, under every lamp."""
    mouths = look(make_survey, make_pits, light_caps(0.0, 12), 12)
    weight = weigh_depths(mouths, tone_sd=0.06)
    assert np.all(DEPTHS[weight.argmax(axis=1)] <= 0.02)


def test_depth_is_found_within_a_third(make_survey, make_pits):
    """Depths from shallow to deep come out within the model's own step or two."""
    shares = np.resize([0.06, 0.1, 0.16, 0.25], len(GRID))
    mouths = look(make_survey, make_pits, light_caps(shares, 15), 15)
    found = DEPTHS[weigh_depths(mouths, tone_sd=0.06).argmax(axis=1)]
    assert np.all(np.abs(np.log(found / shares)) < 0.45)


@pytest.mark.parametrize("tone", [-0.25, 0.0, 0.2])
@pytest.mark.parametrize("lamps", [(15, 15), (10, 25), (25, 12)])
def test_open_dished_closed(make_survey, make_pits, lamps, tone):
    """What was left, sank or was closed is told apart, whatever the filler's tone and the lamps."""
    before = look(make_survey, make_pits, light_caps(0.35, lamps[0]), lamps[0])
    kind = np.resize([0, 1, 2], len(GRID))
    after_share = np.choose(kind, [0.35, 0.08, 0.0])
    face = light_caps(after_share, lamps[1], tone=tone, seed=1)
    after = look(make_survey, make_pits, face, lamps[1])
    evidence = weigh_states(before, after, settings=CompareSettings())
    # The tone is laid over open pits too, which darkens them further: those may look deeper only.
    assert kind.tolist() == evidence.argmax(axis=1).tolist()


def test_dark_filler_is_no_shade(make_survey, make_pits):
    """A flat patch so dark that it passes for shade is still flat: no wall of it is bright."""
    before = look(make_survey, make_pits, light_caps(0.35, 15), 15)
    after = look(make_survey, make_pits, light_caps(0.0, 12, tone=-0.5, seed=4), 12)
    assert np.median(after.figures[:, 2]) > 0.4
    evidence = weigh_states(before, after, settings=CompareSettings())
    assert {2} == set(evidence.argmax(axis=1))


def test_coarse_photo_does_not_make_pits_shallow(make_survey, make_pits):
    """An open pit of four pixels has lost most of its shade and light, and is open all the same."""
    before = look(make_survey, make_pits, light_caps(0.35, 15), 15)
    kind = np.resize([0, 1, 2], len(GRID))
    face = coarsen(light_caps(np.choose(kind, [0.35, 0.08, 0.0]), 13, tone=-0.1, seed=3), 5)
    after = look(make_survey, make_pits, face, 13, blur_px=0.2)
    assert np.median(before.figures[kind == 0, 1]) > 1.25 * np.median(after.figures[kind == 0, 1])
    evidence = weigh_states(before, after, settings=CompareSettings())
    assert kind.tolist() == evidence.argmax(axis=1).tolist()


def test_new_old_and_stain(make_survey, make_pits):
    """A pit that opened, one that was there, and a stain without depth are told apart.

    A stain as black as a shadow would not be: nothing in it says that it is flat.
    """
    kind = np.resize([0, 1, 2], len(GRID))
    before_share = np.choose(kind, [0.0, 0.3, 0.0])
    after_share = np.choose(kind, [0.3, 0.3, 0.0])
    before = look(make_survey, make_pits, light_caps(before_share, 14), 14)
    face = light_caps(after_share, 20, seed=2)
    stained = face.rgb.copy()
    for x_mm, y_mm in GRID[kind == 2]:
        cv2.circle(
            stained, (round(x_mm / MM_PER_PX), round(y_mm / MM_PER_PX)), 10, (95, 95, 95), -1
        )
    after = look(make_survey, make_pits, dataclasses.replace(face, rgb=stained), 20)
    assert kind.tolist() == weigh_new(before, after).argmax(axis=1).tolist()


def test_without_picture_nothing_is_said(make_survey, make_pits):
    """A record without pixels, or a lamp of unknown side, gives no evidence at all."""
    survey = make_survey(make_pits([], [], []))
    blank = read_mouths(survey, *GRID.T, SIZE_MM)
    assert not blank.is_known.any()
    assert np.all(weigh_states(blank, blank, settings=CompareSettings()) == 0)
    assert np.all(weigh_new(blank, blank) == 0)
    dark = dataclasses.replace(survey, face=light_caps(0.2, 15), lamp=Lamp())
    assert not read_mouths(dark, *GRID.T, SIZE_MM).is_known.any()


def test_no_places(make_survey, make_pits):
    """No places give empty evidence."""
    survey = make_survey(make_pits([], [], []), face=light_caps(0.2, 15))
    none = np.empty(0)
    mouths = read_mouths(survey, none, none, none)
    assert (0, 3) == weigh_states(mouths, mouths, settings=CompareSettings()).shape
    assert (0, 3) == weigh_new(mouths, mouths).shape


@pytest.mark.parametrize("angle", [5, 15, 30])
def test_deeper_is_darker(angle):
    """Under every lamp a deeper cap has more shadow, until nearly all of it is shade."""
    dark = model_cap(angle)[:, 2]
    assert 0 == dark[0]
    assert np.all(np.diff(dark) > -0.03)
    assert dark[-1] > 0.5
