"""The shadow post and lamps of known place, against ray-cast shadows and worked values."""

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from rakelight.core.errors import LampError
from rakelight.core.records import CardPose, FaceMap
from rakelight.light.post import place_lamp, read_post

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[1] / "data" / "lamp.json").read_text(encoding="utf-8")
    )
}
MM_PER_PX = 0.4
SIDE_PX = 450
POST_MM = 12.0


def lay_card(turn_deg: float = 0.0) -> CardPose:
    """Return a card around the middle of the map: field of 72 mm, walls of 12 mm."""
    turn = math.radians(turn_deg)
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    middle = np.array([90.0, 90.0])
    foot = np.array([(8.0, -4.0), (-4.0, -4.0), (-4.0, 8.0)]) @ spin.T + middle
    square = np.array([(-95.0, -95.0), (95.0, -95.0), (95.0, 95.0), (-95.0, 95.0)])
    return CardPose(
        outline_mm=square @ spin.T + middle,
        grey_patch_mm=square / 10,
        field_mm=(float(middle[0]), float(middle[1])),
        field_radius_mm=72.0,
        post_foot_mm=foot,
        post_height_mm=POST_MM,
        turn_deg=turn_deg,
    )


def is_lit(card, x_mm, y_mm, from_deg, angle_deg):
    """Return whether the ray from each place to a far lamp passes both walls: a second way to it."""
    ray = np.array([math.sin(math.radians(from_deg)), -math.cos(math.radians(from_deg))])
    lit = np.ones(x_mm.shape, bool)
    for start, stop in zip(card.post_foot_mm[:-1], card.post_foot_mm[1:], strict=True):
        wall = stop - start
        area = ray[1] * wall[0] - ray[0] * wall[1]
        to_x, to_y = start[0] - x_mm, start[1] - y_mm
        distance = (to_y * wall[0] - to_x * wall[1]) / area
        along = (ray[0] * to_y - ray[1] * to_x) / area
        height = distance * math.tan(math.radians(angle_deg))
        lit &= ~((along >= 0) & (along <= 1) & (distance > 0) & (height < card.post_height_mm))
    return lit


def photograph_card(
    card, from_deg, angle_deg, *, spread_deg=1.0, room=0.1, tilt_mm=0.0, seed=1, other=None
):
    """Return the face map of a card under a lamp that fills a disc of `spread_deg` radius.

    tilt_mm : how far a slanting camera shifts the post's top; other : a second lamp, its side.
    """
    rng = np.random.default_rng(seed)
    y_mm, x_mm = (np.mgrid[:SIDE_PX, :SIDE_PX] + 0.5) * MM_PER_PX
    steps = [
        (a, b) for a in (-0.8, 0, 0.8) for b in (-0.8, -0.4, 0, 0.4, 0.8) if a * a + b * b <= 1
    ]
    shares = [
        is_lit(card, x_mm, y_mm, from_deg + spread_deg * a, angle_deg + spread_deg * b)
        for a, b in steps
    ]
    light = np.mean(shares, axis=0)
    if other is not None:
        light = 0.6 * light + 0.4 * is_lit(card, x_mm, y_mm, other, angle_deg)
    side = math.radians(from_deg)
    fall = 1 + 0.3 * ((x_mm - 90) * math.sin(side) - (y_mm - 90) * math.cos(side)) / 90
    away = np.hypot(x_mm - card.field_mm[0], y_mm - card.field_mm[1])
    picture = np.where(away < card.field_radius_mm, 0.8, 0.3) * (room + (1 - room) * light * fall)
    if tilt_mm:
        foot = card.post_foot_mm / MM_PER_PX - 0.5
        walls = np.vstack([foot, foot[::-1] - np.array([0, tilt_mm / MM_PER_PX])])
        cv2.fillPoly(picture, [np.round(walls).astype(np.int32)], 0.25)
    picture = cv2.GaussianBlur(
        picture * 0.7 * (1 + 0.02 * rng.standard_normal(away.shape)), (0, 0), 0.8
    )
    srgb = np.where(picture < 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055)
    grey = np.clip(srgb * 255 + rng.normal(0, 1.5, away.shape), 0, 255).astype(np.uint8)
    return FaceMap(np.repeat(grey[..., None], 3, axis=2), np.zeros(away.shape, bool), MM_PER_PX)


def side_error(found_deg: float, true_deg: float) -> float:
    return abs((found_deg - true_deg + 180) % 360 - 180)


@pytest.mark.parametrize(
    ("turn_deg", "from_deg", "angle_deg", "spread_deg", "room"),
    [
        (0.0, 275.0, 15.0, 0.5, 0.05),
        (12.0, 20.0, 10.0, 1.0, 0.1),
        (-15.0, 130.0, 20.0, 2.0, 0.3),
        (90.0, 182.0, 26.0, 1.0, 0.1),
        (4.0, 315.0, 35.0, 1.5, 0.1),
        (0.0, 90.0, 12.0, 1.5, 0.1),  # along one wall: only the other casts a shadow
    ],
)
def test_shadow_gives_side_and_angle(turn_deg, from_deg, angle_deg, spread_deg, room):
    """The post gives the side within 1 and the angle within 0.5 degree of a ray-cast shadow."""
    card = lay_card(turn_deg)
    face = photograph_card(card, from_deg, angle_deg, spread_deg=spread_deg, room=room)
    lamp = read_post(face, card)
    assert lamp.basis == "post"
    assert side_error(lamp.from_deg, from_deg) < 1.0  # asked for: 5 degrees
    assert lamp.angle_deg == pytest.approx(angle_deg, abs=0.5)  # asked for: 1 degree
    assert lamp.figures["post_second_shadow"] < 0.05


@pytest.mark.parametrize("from_deg", [15.0, 200.0])
def test_slanting_camera_does_not_mislead(from_deg):
    """A camera tilted by 35 degrees shifts the post's top by 8.4 mm; the answer holds."""
    card = lay_card(5.0)
    lamp = read_post(photograph_card(card, from_deg, 16.0, tilt_mm=8.4), card)
    assert side_error(lamp.from_deg, from_deg) < 5.0
    assert lamp.angle_deg == pytest.approx(16.0, abs=1.0)


def test_turned_scene_turns_the_side():
    """Turning card and lamp by 90 degrees together turns the side by 90 degrees and no more."""
    one = read_post(photograph_card(lay_card(0.0), 250.0, 15.0), lay_card(0.0))
    other = read_post(photograph_card(lay_card(90.0), 340.0, 15.0), lay_card(90.0))
    assert side_error(other.from_deg, one.from_deg + 90) < 0.5  # noise differs
    assert other.angle_deg == pytest.approx(one.angle_deg, abs=0.2)


def test_no_shadow_is_an_unknown_lamp():
    """An evenly lit field gives no lamp but a sentence that says what to do."""
    card = lay_card()
    face = FaceMap(np.full((450, 450, 3), 180, np.uint8), np.ones((450, 450), bool), MM_PER_PX)
    lamp = read_post(face, card)
    assert not lamp.is_side_known and lamp.basis == "unknown"
    assert "shadow is not seen" in lamp.notes[0]


def test_card_outside_the_map_is_an_unknown_lamp():
    """A white field that the photo does not show gives no lamp."""
    face = FaceMap(np.full((60, 60, 3), 180, np.uint8), np.ones((60, 60), bool), 0.1)
    assert not read_post(face, lay_card()).is_side_known


def test_stain_is_not_a_shadow():
    """A round dark stain on the field is not taken for the post's shadow."""
    card = lay_card()
    grey = np.full((450, 450, 3), 180, np.uint8)
    cv2.circle(grey, (300, 150), 40, (60, 60, 60), -1)
    lamp = read_post(FaceMap(grey, np.ones((450, 450), bool), MM_PER_PX), card)
    assert not lamp.is_side_known


def test_shadow_that_runs_off_the_field_gives_no_angle():
    """A lamp too low for the field gives its side and a limit in words, but no angle."""
    card = lay_card()
    lamp = read_post(photograph_card(card, 300.0, 7.0, spread_deg=0.3), card)
    assert side_error(lamp.from_deg, 300.0) < 5.0
    assert math.isnan(lamp.angle_deg)
    assert "lower than 10 degrees" in lamp.notes[0]  # 70 mm of field behind a post of 12 mm


def test_second_lamp_is_seen():
    """A second shadow is noted: another light is on."""
    card = lay_card()
    lamp = read_post(photograph_card(card, 300.0, 15.0, other=80.0), card)
    assert "second shadow" in " ".join(lamp.notes)


@pytest.mark.parametrize("name", [name for name in CASES if name.startswith("lamp_elevation")])
def test_lamp_height_and_distance(name):
    """Height and distance give the worked angles, at the place they were measured from."""
    case = CASES[name]
    distance_mm = case["inputs"]["horizontal_distance_mm"]
    lamp = place_lamp(
        270.0,
        height_mm=case["inputs"]["lamp_height_mm"],
        distance_mm=distance_mm,
        size_mm=(2400.0, 700.0),
    )
    from_deg, angle_deg = lamp.at_pit(np.array([1200.0]), np.array([350.0]))
    assert angle_deg[0] == pytest.approx(case["expected"], abs=case["tolerance"])
    assert lamp.angle_deg == pytest.approx(case["expected"], abs=case["tolerance"])
    assert from_deg[0] == pytest.approx(270.0)
    assert lamp.at_mm == pytest.approx((1200 - distance_mm, 350, case["inputs"]["lamp_height_mm"]))


def test_one_angle_for_a_whole_slab_is_wrong():
    """Depths by the near angle are 2.5 times too large at the far end (worked value)."""
    case = CASES["lamp_single_angle_error"]
    near_mm, far_mm = case["inputs"]["near_mm"], case["inputs"]["far_mm"]
    lamp = place_lamp(
        270.0, height_mm=case["inputs"]["lamp_height_mm"], distance_mm=near_mm,
        size_mm=(2400.0, 700.0), seen_from_mm=(near_mm, 350.0),
    )  # fmt: skip
    angles = lamp.at_pit(np.array([near_mm, far_mm]), np.array([350.0, 350.0]))[1]
    near, far = np.tan(np.radians(angles))
    assert near / far == pytest.approx(case["expected"]["depth_ratio"], abs=case["tolerance"])


@pytest.mark.parametrize(
    "changes", [{"height_mm": 0}, {"distance_mm": -5}, {"height_mm": math.nan}]
)
def test_impossible_place_is_one_sentence(changes):
    """A lamp on or below the face, or nowhere, is refused."""
    given = {"height_mm": 150.0, "distance_mm": 600.0, "size_mm": (600.0, 400.0)} | changes
    with pytest.raises(LampError, match="lamp"):
        place_lamp(270.0, **given)
