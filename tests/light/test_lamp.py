"""The lamp: what was said held against what the photo shows."""

import math
from functools import cache

import numpy as np
import pytest

from rakelight.core.errors import LampError
from rakelight.core.flags import flag_names
from rakelight.core.records import FaceMap, FlatPhoto, Lamp
from rakelight.light.background import flatten_light
from rakelight.light.lamp import (
    build_lamp,
    check_lamp,
    join_post,
    name_side,
    read_side,
    settle_lamp,
)
from rakelight.simulate.lamp import Lamp as MadeUpLamp
from rakelight.simulate.recipes import choose_recipe
from rakelight.simulate.scene import simulate_photo

MM_PER_PX = 0.25


@cache
def make_face(seed: int, from_deg: float, *, name: str = "caps", **changes):
    """Return the face map and relief of a made-up slab of 200 x 140 mm lit at 14 degrees."""
    recipe = choose_recipe(
        name, size_mm=(200.0, 140.0), mm_per_px=MM_PER_PX, **({"pits_per_m2": 2500.0} | changes)
    )
    photo = simulate_photo(seed, recipe=recipe, lamp=MadeUpLamp(from_deg=from_deg, angle_deg=14))
    face = FaceMap(photo.rgb, np.ones(photo.rgb.shape[:2], bool), MM_PER_PX)
    return face, flatten_light(face)


def turn_between(one_deg: float, other_deg: float, period_deg: float) -> float:
    """Return the smallest angle between two directions that repeat after `period_deg`."""
    half = period_deg / 2
    return abs((one_deg - other_deg + half) % period_deg - half)


@pytest.mark.parametrize("from_deg", [0.0, 75.0, 205.0, 290.0])
def test_axis_is_read_from_the_photo(from_deg):
    """The light axis is seen within 3 degrees wherever the lamp stands."""
    face, flat = make_face(int(from_deg), from_deg)
    lamp = settle_lamp(flat, face, Lamp())
    assert turn_between(lamp.axis_deg, from_deg, 180) < 3  # trials gave 0 to 1.3 degrees


def test_grain_alone_gives_the_axis():
    """Without a single pit the grain of an even face shows the axis, and no side."""
    face, flat = make_face(
        4, 40.0, pits_per_m2=0.0, bumps_per_m2=0.0, grains_per_m2=0.0, crumbs_per_m2=0.0
    )
    lamp = settle_lamp(flat, face, Lamp())
    assert turn_between(lamp.axis_deg, 40.0, 180) < 5  # structure tensor of isotropic grain
    assert not lamp.is_side_known
    assert "does not show it" in lamp.notes[0]


@pytest.mark.parametrize("name", ["caps", "worn", "dishes", "cast_wall", "honed", "bubbles"])
def test_right_side_is_not_contradicted(name):
    """The true side raises no doubt on any kind of face."""
    face, flat = make_face(7, 250.0, name=name)
    lamp = settle_lamp(flat, face, Lamp(from_deg=250.0, angle_deg=14.0))
    assert flag_names(lamp.flags) == ""
    assert lamp.notes == ()
    assert lamp.side_evidence > 0.3
    assert lamp.basis == "said"


@pytest.mark.parametrize("name", ["caps", "worn", "dishes", "cast_wall", "honed", "bubbles"])
def test_opposite_side_is_contradicted(name):
    """A lamp side that is wrong by 180 degrees is flagged, with the side that is seen."""
    face, flat = make_face(7, 250.0, name=name)
    lamp = settle_lamp(flat, face, Lamp(from_deg=70.0, angle_deg=14.0))
    assert flag_names(lamp.flags) == "lamp_side_contradicted"
    assert lamp.side_evidence < -0.3
    assert lamp.from_deg == 70.0  # the person's word is kept, not overwritten
    assert "left" in lamp.notes[0]


def test_crosswise_side_is_contradicted():
    """A lamp side that is wrong by 60 degrees is flagged by its axis."""
    face, flat = make_face(7, 250.0)
    lamp = settle_lamp(flat, face, Lamp(from_deg=310.0, angle_deg=14.0))
    assert "lamp_side_contradicted" in flag_names(lamp.flags)


def test_unknown_side_stays_unknown():
    """A side that was not said is named as a guess in words, never filled in."""
    face, flat = make_face(10, 180.0)
    lamp = settle_lamp(flat, face, Lamp())
    assert math.isnan(lamp.from_deg) and lamp.basis == "unknown"
    assert "looks lit from the bottom" in lamp.notes[0]
    assert flag_names(lamp.flags) == "lamp_angle_unknown"


def test_near_lamp_is_judged_place_by_place():
    """A lamp of known place close to the slab agrees with itself and not with its mirror place."""
    recipe = choose_recipe("caps", size_mm=(240.0, 160.0), mm_per_px=MM_PER_PX, pits_per_m2=2500.0)
    made_up = MadeUpLamp(x_mm=-150.0, y_mm=80.0, height_mm=60.0)
    photo = simulate_photo(11, recipe=recipe, lamp=made_up)
    face = FaceMap(photo.rgb, np.ones(photo.rgb.shape[:2], bool), MM_PER_PX)
    flat = flatten_light(face)
    right = settle_lamp(flat, face, Lamp(at_mm=(-150.0, 80.0, 60.0)))
    wrong = settle_lamp(flat, face, Lamp(at_mm=(390.0, 80.0, 60.0)))
    assert right.flags == 0 and right.side_evidence > 0.3
    assert flag_names(wrong.flags) == "lamp_side_contradicted"


def test_turned_photo_turns_the_axis():
    """Turning the relief by 90 degrees turns the axis by 90 degrees and keeps the evidence."""
    face, flat = make_face(290, 290.0)
    turned_face = FaceMap(np.rot90(face.rgb, -1).copy(), np.rot90(face.seen, -1), MM_PER_PX)
    turned = FlatPhoto(
        np.rot90(flat.relief, -1).copy(), np.rot90(flat.background, -1), flat.noise_sd, MM_PER_PX
    )
    before = settle_lamp(flat, face, Lamp(from_deg=290.0, angle_deg=14.0))
    after = settle_lamp(turned, turned_face, Lamp(from_deg=20.0, angle_deg=14.0))
    assert turn_between(after.axis_deg, before.axis_deg + 90, 180) < 0.5  # rounding of shrinking
    assert after.side_evidence == pytest.approx(before.side_evidence, abs=0.02)


def test_blank_face_says_nothing():
    """An even grey face raises no doubt about the lamp said and shows no axis."""
    face = FaceMap(np.full((200, 300, 3), 120, np.uint8), np.ones((200, 300), bool), 0.3)
    lamp = settle_lamp(flatten_light(face), face, Lamp(from_deg=90.0, angle_deg=15.0))
    assert lamp.flags == 0
    assert math.isnan(lamp.axis_deg) and math.isnan(lamp.side_evidence)


def test_inputs_are_not_changed():
    """The relief and the lamp said stay as they were."""
    face, flat = make_face(7, 250.0)
    relief, said = flat.relief.copy(), Lamp(from_deg=250.0)
    settle_lamp(flat, face, said)
    np.testing.assert_array_equal(flat.relief, relief)
    assert (said.from_deg, said.flags, said.notes, said.figures) == (250.0, 0, (), {})


def test_side_is_brought_to_one_turn():
    """-90 degrees and 270 degrees are the same side."""
    assert check_lamp(Lamp(from_deg=-90.0)).from_deg == 270.0


@pytest.mark.parametrize(
    "said",
    [
        Lamp(from_deg=90.0, angle_deg=0.0),
        Lamp(from_deg=90.0, angle_deg=120.0),
        Lamp(from_deg=math.inf),
        Lamp(at_mm=(10.0, 10.0, 0.0)),
        Lamp(at_mm=(10.0, math.nan, 100.0)),
    ],
)
def test_impossible_lamp_is_one_sentence(said):
    """A lamp below the face, straight through it or nowhere is refused."""
    with pytest.raises(LampError, match=r"^[A-Z][^.]*\.$"):
        check_lamp(said)


@pytest.mark.parametrize(
    ("from_deg", "words"), [(0, "top"), (90, "right"), (225, "bottom left"), (359, "top")]
)
def test_sides_in_words(from_deg, words):
    """Degrees clockwise from up become the words a person uses."""
    assert name_side(from_deg) == words


POST = Lamp(from_deg=280.0, angle_deg=16.0, basis="post", figures={"post_fit": 0.99})


def test_post_is_taken_when_nothing_was_said():
    """The post's side and angle stand alone when the person said nothing."""
    lamp = join_post(Lamp(), POST)
    assert (lamp.from_deg, lamp.angle_deg, lamp.basis, lamp.flags) == (280.0, 16.0, "post", 0)


def test_post_and_word_that_agree():
    """A said side close to the post's is replaced by the measured one without a doubt."""
    lamp = join_post(Lamp(from_deg=270.0, angle_deg=10.0), POST)
    assert (lamp.from_deg, lamp.angle_deg, lamp.flags, lamp.notes) == (280.0, 16.0, 0, ())


def test_post_against_word():
    """A said side far from the post's is flagged."""
    lamp = join_post(Lamp(from_deg=90.0), POST)
    assert flag_names(lamp.flags) == "lamp_side_contradicted"
    assert "post's shadow shows a lamp at the left" in lamp.notes[0]


def test_place_that_was_said_is_kept():
    """A lamp of known place stays at its place when the post agrees."""
    lamp = join_post(Lamp(at_mm=(-500.0, 88.0, 150.0)), POST)
    assert lamp.at_mm == (-500.0, 88.0, 150.0)
    assert (lamp.flags, lamp.basis) == (0, "said")


def test_unreadable_post_leaves_the_word():
    """When the post cannot be read, what was said stands and the post's note is passed on."""
    lamp = join_post(Lamp(from_deg=90.0, angle_deg=12.0), Lamp(notes=("not seen",)))
    assert (lamp.from_deg, lamp.angle_deg, lamp.basis) == (90.0, 12.0, "said")
    assert lamp.notes == ("not seen",)


def test_lamp_as_said_has_one_door():
    """Command, batch and screens say side, angle or place the same way; what cannot be is one sentence."""
    assert not build_lamp().is_side_known
    assert (270.0, 15.0, "said") == (build_lamp(-90, 15).from_deg, build_lamp(-90, 15).angle_deg, build_lamp(-90).basis)
    assert (1, 2, 3) == build_lamp(at_mm=(1, 2, 3)).at_mm
    wrong = ((90, None, (1, 2, 3)), (400, None, None), (math.nan, 15, None), (90, math.inf, None), (90, 95, None))
    for from_deg, angle_deg, at_mm in wrong:
        with pytest.raises(LampError, match=r"\.$"):
            build_lamp(from_deg, angle_deg, at_mm)


def test_sides_are_read_as_they_are_said():
    """A side's name gives back the degrees it is told by; other words give none."""
    assert [0.0, 90.0, 180.0, 270.0, 45.0] == [read_side(s) for s in ("top", "Right", " bottom", "LEFT", "top  right")]
    assert read_side("north") is None
