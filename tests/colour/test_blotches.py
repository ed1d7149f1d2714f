"""Blotches and mottling against painted ones."""

import math

import numpy as np
import pytest

from rakelight.colour.blotches import ToneMap, find_blotches, measure_mottling

from .conftest import SMALL, measure_scene
from .scenes import Scene

MIDDLE = np.array([60.0, 0.0, 4.0])


def make_map(steps_L: np.ndarray) -> ToneMap:
    """Return a tone map of 5 mm cells with painted steps of L*."""
    lab = np.tile(MIDDLE.astype(np.float32), (*steps_L.shape, 1))
    lab[:, :, 0] += steps_L
    return ToneMap(lab, np.ones(steps_L.shape, bool), 5.0)


def paint_disc(shape, x_mm, y_mm, diameter_mm, step) -> np.ndarray:
    """Return steps of L* that are `step` inside a disc."""
    y, x = (np.indices(shape) + 0.5) * 5.0
    return np.where(np.hypot(x - x_mm, y - y_mm) <= diameter_mm / 2, step, 0.0).astype(np.float32)


def test_blotches_are_found_with_place_size_and_words():
    """Two discs, one darker and one lighter: place to 3 mm, area to 15 %, the larger first."""
    steps = paint_disc((100, 240), 300, 200, 150, -4) + paint_disc((100, 240), 800, 300, 100, 4)
    darker, lighter = find_blotches(make_map(steps), MIDDLE)
    assert (300, 200) == pytest.approx((darker["x_mm"], darker["y_mm"]), abs=3)
    assert math.pi / 4 * 150**2 == pytest.approx(darker["area_mm2"], rel=0.15)
    assert ("darker", "lighter") == (darker["words"], lighter["words"])
    assert darker["dE00"] > 2


def test_what_rounding_may_have_made_is_not_listed():
    """An area 3 L* darker stands out, but not where a coarse file alone may well make 2 dE00."""
    tones = make_map(paint_disc((140, 240), 600, 350, 200, -3.0))
    middle = np.array([62.0, 0, 4])
    assert 1 == len(find_blotches(tones, middle, noise_dE00=0.2))
    assert [] == find_blotches(tones, middle, noise_dE00=2.0)


def test_small_and_weak_areas_are_not_listed():
    """A disc of 30 mm and one of 1 L* stay out; so does an even face."""
    assert [] == find_blotches(make_map(paint_disc((100, 240), 300, 200, 30, -8)), MIDDLE)
    assert [] == find_blotches(make_map(paint_disc((100, 240), 300, 200, 200, -1)), MIDDLE)
    assert [] == find_blotches(make_map(np.zeros((100, 240), np.float32)), MIDDLE)


def test_light_and_dark_side_by_side_stay_apart():
    """A dark disc touching a light one makes two blotches."""
    steps = paint_disc((100, 240), 300, 200, 120, -5) + paint_disc((100, 240), 420, 200, 120, 5)
    assert 2 == len(find_blotches(make_map(steps), MIDDLE))


def test_unseen_parts_are_no_blotch():
    """What is not seen neither is a blotch nor makes one of its neighbours."""
    tones = make_map(np.zeros((100, 240), np.float32))
    tones.lab[20:60, 50:100], tones.seen[20:60, 50:100] = 0, False
    assert [] == find_blotches(tones, MIDDLE)


def test_a_blotch_in_a_photo_is_found():
    """Through lamp, cast and camera a blotch of 4 L* is found within 15 mm."""
    scene = Scene(seed=51, mottle_L=0.3, blotches=((700.0, 250.0, 80.0, 60.0, -4.0),), **SMALL)
    (blotch,) = measure_scene(scene, "model").figures["blotches"]
    assert (700, 250) == pytest.approx((blotch["x_mm"], blotch["y_mm"]), abs=15)
    assert "darker" in blotch["words"]


@pytest.mark.parametrize("scale_mm", [50.0, 100.0, 200.0])
def test_a_wave_reads_its_own_strength_at_its_own_size(scale_mm):
    """A plain wave of 1 L* reads sd .71 at its size, within 10 %, and less at the others."""
    x = (np.arange(240) + 0.5) * 5.0
    wave = np.tile(np.sin(2 * np.pi * x / scale_mm), (100, 1)).astype(np.float32)
    found = {answer["scale_mm"]: answer["sd_L"] for answer in measure_mottling(make_map(wave))}
    assert math.sqrt(0.5) == pytest.approx(found[scale_mm], rel=0.1)
    assert max(found, key=found.get) == scale_mm


def test_sizes_the_face_cannot_show_are_left_out():
    """A face of 150 mm holds no two patches of 100 mm."""
    scales = {answer["scale_mm"] for answer in measure_mottling(make_map(np.zeros((30, 60), np.float32)))}
    assert {20.0, 50.0} == scales
