"""Raking photos are refused for colour, soft ones are not."""

from dataclasses import replace

import numpy as np
import pytest

from rakelight.colour.balance import Shoot, reduce_face
from rakelight.colour.falloff import find_falloff
from rakelight.colour.sidelight import measure_side_light
from rakelight.colour.uniformity import measure_colour
from rakelight.core.errors import ColourError
from rakelight.core.records import FaceMap, Lamp
from rakelight.simulate import Camera, choose_recipe, make_slab
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate.camera import aim_camera, photograph
from rakelight.simulate.lamp import light_slab, soft_light

from .conftest import SMALL
from .scenes import GREY_MM, Scene, SoftLamp


def light_face(slab, angle_deg: float | None) -> FaceMap:
    """Return the map of a slab lit from one low side, or softly when no angle is given."""
    if angle_deg is None:
        radiance = soft_light(slab, gradient=(0.4, -0.2), colour_cast=(1.15, 1.0, 0.8))
    else:
        radiance = light_slab(slab, SceneLamp(from_deg=250.0, angle_deg=angle_deg), ambient=0.15)
    rgb = photograph(radiance, aim_camera(slab, Camera()), seed=2)
    return FaceMap(rgb, np.ones(rgb.shape[:2], bool), slab.mm_per_px)


def read_signs(face: FaceMap, leave_out=()):
    """Return the signs of side light in a photo."""
    blocks = reduce_face(face, leave_out=leave_out)
    return measure_side_light(face, blocks, find_falloff(blocks, Shoot()))


@pytest.fixture(scope="module", params=["caps", "worn", "cast_wall", "bubbles"])
def slab(request):
    """A slab of 500 x 350 mm from one of four makers, with its usual pits."""
    recipe = replace(choose_recipe(request.param), size_mm=(500.0, 350.0), mm_per_px=0.5)
    return make_slab(recipe, seed=7)


@pytest.mark.parametrize("angle_deg", [10.0, 20.0])
def test_a_raking_photo_is_refused(slab, angle_deg):
    """The photo alone gives raking light away; the sentence says what to do."""
    with pytest.raises(ColourError, match="take one in soft, even light"):
        measure_colour(light_face(slab, angle_deg))


def test_a_soft_photo_of_the_same_slab_is_taken(slab):
    """The same pits and grain in soft light are measured."""
    assert measure_colour(light_face(slab, None)).figures["n_cells"] > 50


def test_what_was_said_about_the_lamp_counts_first():
    """A lamp said to stand at 15 degrees is refused whatever the photo looks like."""
    face = Scene(seed=61, **SMALL).take()
    with pytest.raises(ColourError, match="raking light"):
        measure_colour(face, grey=GREY_MM, shoot=Shoot(lamp_said=Lamp(from_deg=90, angle_deg=15)))
    report = measure_colour(face, grey=GREY_MM, shoot=Shoot(lamp_said=Lamp(angle_deg=70)))
    assert not any("one side" in note for note in report.notes)


def test_a_lamp_said_to_stand_high_is_believed_with_a_note(slab):
    """Hard light from 20 degrees that the person calls 60 is measured, and the doubt is written down."""
    report = measure_colour(light_face(slab, 20.0), shoot=Shoot(lamp_said=Lamp(angle_deg=60)))
    assert any("one side" in note for note in report.notes)


def test_light_that_falls_off_too_much_is_refused():
    """One end lit six times as bright as the other is no even light."""
    lamp = SoftLamp(x_share=0.0, y_share=0.5, height_mm=500.0, room=0.02)
    with pytest.raises(ColourError, match="times as bright"):
        measure_colour(Scene(seed=62, has_card=False, lamp=lamp, **SMALL).take())


def test_a_card_on_the_face_is_not_taken_for_relief():
    """The edge of the grey card alone must not speak for side light."""
    face = Scene(seed=63, size_mm=(600.0, 400.0), mm_per_px=0.5).take()
    assert not read_signs(face, leave_out=[GREY_MM]).is_raking
    assert not read_signs(face).is_raking


def test_turning_the_photo_does_not_change_the_signs(slab):
    """A quarter turn gives the same answer (a law)."""
    face = light_face(slab, 15.0)
    turned = FaceMap(np.ascontiguousarray(np.rot90(face.rgb)), face.seen.T.copy(), face.mm_per_px)
    first, second = (read_signs(f) for f in (face, turned))
    assert first.is_raking and second.is_raking
    assert first.one_way == pytest.approx(second.one_way, rel=0.15)


def test_a_face_too_small_to_tell_says_nothing():
    """Too few pixels give NaN and no refusal."""
    face = FaceMap(np.full((60, 60, 3), 120, np.uint8), np.ones((60, 60), bool), 0.5)
    signs = read_signs(face)
    assert np.isnan(signs.lopsided) and not signs.is_raking
