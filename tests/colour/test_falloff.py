"""The lamp's light, found in four ways, against the light that was painted."""

from dataclasses import replace

import numpy as np
import pytest

from rakelight.colour.balance import Shoot, reduce_face
from rakelight.colour.falloff import find_falloff
from rakelight.core.errors import ColourError
from rakelight.core.records import FaceMap
from rakelight.simulate.camera import Camera

from .conftest import SMALL
from .scenes import GREY_MM, Scene, SoftLamp, lab_to_linear, paint_rect

NO_LENS = Camera(vignetting=0.0)
SCENE = Scene(seed=21, drift_L=3.0, camera=NO_LENS, **SMALL)


def compare_light(falloff, scene: Scene) -> tuple[float, float]:
    """Return the rms error of the light (natural log) and of its slope from left to right."""
    true = np.log(scene.light())
    found = np.log(falloff.light.mean(axis=2))
    rest = found - true + (true - found).mean()
    u = np.linspace(-1, 1, true.shape[1])
    return float(rest.std()), float(2 * (rest.mean(axis=0) @ u) / (u @ u))


def read_scene(scene: Scene):
    """Return the blocks of the scene's photo, without its card."""
    return reduce_face(scene.take(), leave_out=[GREY_MM])


def test_white_sheet_gives_the_light():
    """A sheet's photo gives the light to .5 % everywhere and .5 % from end to end."""
    falloff = find_falloff(read_scene(SCENE), Shoot(flat=SCENE.take_white_sheet()))
    rms, slope = compare_light(falloff, SCENE)
    assert falloff.basis == "flat" and falloff.separates_drift
    assert rms < 0.005 and abs(slope) < 0.005


def test_turned_slab_tells_lamp_from_slab():
    """A drift of 3 L* stays in the slab: the light's slope is right to 1 %."""
    falloff = find_falloff(read_scene(SCENE), Shoot(turned=SCENE.take(is_turned=True)))
    rms, slope = compare_light(falloff, SCENE)
    assert falloff.basis == "turned" and falloff.separates_drift
    assert rms < 0.012 and abs(slope) < 0.01


def test_turned_slab_in_another_exposure_is_the_same():
    """The second photo's exposure does not matter: the slope stays within 1 %."""
    falloff = find_falloff(read_scene(SCENE), Shoot(turned=SCENE.take(is_turned=True, exposure=0.9)))
    assert abs(compare_light(falloff, SCENE)[1]) < 0.01


def test_model_takes_a_drift_for_the_lamp_and_says_so():
    """One photo: 3 L* of drift, .11 in natural log at L* 64, go into the light; its sd covers that."""
    falloff = find_falloff(read_scene(SCENE), Shoot())
    _, slope = compare_light(falloff, SCENE)
    assert not falloff.separates_drift
    assert 3 * 3.0 / (64 + 16) == pytest.approx(slope, abs=0.04)
    assert falloff.end_sd[0] > abs(slope)


def test_model_follows_lamp_and_lens():
    """Without a drift the model follows a lamp and a lens that vignettes to 1.5 % rms."""
    scene = replace(SCENE, drift_L=0.0, has_card=False)
    assert compare_light(find_falloff(read_scene(scene), Shoot()), scene)[0] < 0.015


def test_white_papers_tell_lamp_from_slab():
    """Papers at three corners give the slope of the light to 3 %, what three papers may."""
    scene = replace(SCENE, lamp=SoftLamp(0.1, 0.2, 1500.0, 0.4), has_card=False)
    papers = ((20, 20, 60, 40), (1120, 20, 60, 40), (20, 440, 60, 40), (1120, 440, 60, 40))
    linear = lab_to_linear(scene.paint())
    for paper in papers:
        paint_rect(linear, paper, scene.mm_per_px, 0.8)
    face = FaceMap(0.5 * linear * scene.light()[..., None], np.ones(scene.shape, bool), scene.mm_per_px)
    blocks = reduce_face(face, leave_out=list(papers))
    falloff = find_falloff(blocks, Shoot(papers=papers), face=face)
    assert falloff.basis == "papers" and falloff.separates_drift
    assert abs(compare_light(falloff, scene)[1]) < 0.03
    with pytest.raises(ColourError, match="not in one line"):
        find_falloff(blocks, Shoot(papers=papers[:1] * 3), face=face)


def test_mixed_light_is_taken_out_by_a_sheet():
    """Light that turns bluer to one side by 20 % leaves less than 2 % behind after the sheet."""
    tint = np.linspace(-0.1, 0.1, 480, dtype=np.float32)[None, :, None] * np.float32([-1, 0, 1])
    grey = np.full((200, 480, 3), 0.3, np.float32) * np.exp(tint)
    sheet = np.full((200, 480, 3), 0.8, np.float32) * np.exp(tint)
    face, flat = (FaceMap(light, np.ones((200, 480), bool), 2.5) for light in (grey, sheet))
    blocks = reduce_face(face)
    evened = np.log(blocks.linear / find_falloff(blocks, Shoot(flat=flat)).light)
    assert np.ptp(evened[:, :, 2] - evened[:, :, 0]) < 0.02


@pytest.mark.parametrize(
    ("second", "word"),
    [
        (FaceMap(np.full((200, 900, 3), 120, np.uint8), np.ones((200, 900), bool), 2.5), "same face"),
        (FaceMap(np.full((200, 480, 3), 120, np.uint8), np.zeros((200, 480), bool), 2.5), "hardly overlap"),
    ],
)
def test_a_second_photo_that_does_not_fit_is_refused(second, word):
    """Another size, or nothing seen in common, is one sentence that says what to map."""
    with pytest.raises(ColourError, match=word):
        find_falloff(read_scene(SCENE), Shoot(turned=second))


def test_a_blown_out_sheet_is_refused():
    """A white sheet without any tone left gives no light."""
    white = FaceMap(np.full((200, 480, 3), 255, np.uint8), np.ones((200, 480), bool), 2.5)
    with pytest.raises(ColourError, match="white sheet"):
        find_falloff(read_scene(SCENE), Shoot(flat=white))
