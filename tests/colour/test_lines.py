"""Pour joints and regular pitches against painted ones."""

import numpy as np
import pytest

from rakelight.colour.blotches import ToneMap
from rakelight.colour.lines import find_ghosting, find_joints

from .scenes import draw_mottle

SHAPE = (100, 320)  # 500 x 1600 mm


def make_map(steps_L: np.ndarray, *, seed: int = 0) -> ToneMap:
    """Return a mottled tone map (.5 L*) of 5 mm cells with painted steps of L*."""
    lab = np.zeros((*steps_L.shape, 3), np.float32)
    lab[:, :, 0] = 62 + steps_L + 0.5 * draw_mottle(steps_L.shape, 5.0, np.random.default_rng(seed))
    return ToneMap(lab, np.ones(steps_L.shape, bool), 5.0)


def paint_step(lean_deg: float, x_mm: float, step: float) -> np.ndarray:
    """Return a step of L* along a leaning line."""
    y, x = (np.indices(SHAPE) + 0.5) * 5.0
    edge = x_mm - np.tan(np.radians(lean_deg)) * (y - SHAPE[0] * 2.5)
    return np.where(x > edge, step, 0.0).astype(np.float32)


@pytest.mark.parametrize("lean_deg", [0, 12, -25])
def test_a_joint_is_found_with_place_lean_and_step(lean_deg):
    """A step of 2 L* across the face: place to 15 mm, lean to 4 degrees, dE00 to .5."""
    (line,) = find_joints(make_map(paint_step(lean_deg, 900, 2.0)))
    assert ("joint", "across", "lighter") == (line["kind"], line["runs"], line["words"])
    assert 900 == pytest.approx(line["x_mm"], abs=15)
    assert lean_deg == pytest.approx(line["lean_deg"], abs=4)
    assert 1.75 == pytest.approx(line["dE00"], abs=0.5)


def test_a_joint_along_the_face_is_found():
    """The same with the map on its side."""
    tones = make_map(paint_step(0, 900, -2.0))
    turned = ToneMap(np.ascontiguousarray(tones.lab.swapaxes(0, 1)), tones.seen.T.copy(), 5.0)
    (line,) = find_joints(turned)
    assert ("along", "darker") == (line["runs"], line["words"])
    assert 900 == pytest.approx(line["y_mm"], abs=15)


def test_mottling_and_blotches_are_no_joint():
    """Twelve mottled faces, half of them with a soft blotch across most of the width: no joint."""
    y, x = (np.indices(SHAPE) + 0.5) * 5.0
    soft = -4 / (1 + np.exp(8 * (np.hypot((x - 800) / 150, (y - 250) / 200) - 1)))
    found = [find_joints(make_map(soft * (seed % 2), seed=seed)) for seed in range(12)]
    assert [[]] * 12 == found


def test_a_slow_drift_is_no_joint():
    """A change spread over the whole length is not a line."""
    x = np.linspace(-2, 2, SHAPE[1], dtype=np.float32)
    assert [] == find_joints(make_map(np.tile(x, (SHAPE[0], 1))))


@pytest.mark.parametrize("pitch_mm", [100.0, 150.0])
def test_a_pitch_is_found(pitch_mm):
    """Bars that ghost with 1 L* from peak to valley: pitch to its square over twice the length."""
    x = (np.arange(SHAPE[1]) + 0.5) * 5.0
    bars = np.tile(0.5 * np.cos(2 * np.pi * x / pitch_mm), (SHAPE[0], 1)).astype(np.float32)
    (line,) = find_ghosting(make_map(bars))
    assert ("pitch", "across") == (line["kind"], line["runs"])
    assert pitch_mm == pytest.approx(line["pitch_mm"], abs=pitch_mm**2 / 3200)
    assert 1.0 == pytest.approx(line["swing_L"], rel=0.3)


def test_mottling_has_no_pitch():
    """Twelve mottled faces without any bars: no pitch named."""
    assert [[]] * 12 == [find_ghosting(make_map(np.zeros(SHAPE, np.float32), seed=seed)) for seed in range(12)]


def test_a_small_face_has_no_lines():
    """A face of a few cells gives none, and no error."""
    tones = ToneMap(np.full((10, 10, 3), 60, np.float32), np.ones((10, 10), bool), 5.0)
    assert [] == find_joints(tones) + find_ghosting(tones)
