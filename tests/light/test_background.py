"""The lamp's fall-off goes, the surface stays."""

import numpy as np
import pytest

from rakelight.core.records import FaceMap
from rakelight.light.background import flatten_light, linear_table, robust_sd


def grey_face(linear, seen=None):
    """Return a face of the given linear light at .2 mm/px."""
    code = np.searchsorted(linear_table(), np.clip(linear, 0, 1)).clip(0, 255).astype(np.uint8)
    return FaceMap(
        np.repeat(code[:, :, None], 3, axis=2),
        np.ones(code.shape, bool) if seen is None else seen,
        0.2,
    )


@pytest.mark.parametrize(
    ("code", "linear"), [(10, 0.003035), (11, 0.003347), (128, 0.215861), (255, 1.0)]
)
def test_linear_light_of_srgb_codes(code, linear):
    """Linear values of 8-bit sRGB codes as in IEC 61966-2-1."""
    assert linear == pytest.approx(float(linear_table()[code]), abs=1e-6)


def test_fall_off_is_divided_out_to_the_border():
    """A lamp falling off to a third across the face leaves a relief within 3 % of 0, borders included."""
    fall_off = np.tile(0.6 / (1 + 2 * np.linspace(0, 1, 900)), (600, 1))
    relief = flatten_light(grey_face(fall_off)).relief
    assert np.abs(relief[:, :40].mean()) < 0.03
    assert np.abs(relief[:, -40:].mean()) < 0.03
    assert np.abs(relief).max() < 0.06


def test_dark_spot_keeps_its_depth():
    """A spot of half the light reads -0.5 within 0.05."""
    light = np.full((500, 500), 0.4)
    light[240:260, 240:260] = 0.2
    assert -0.5 == pytest.approx(float(flatten_light(grey_face(light)).relief[250, 250]), abs=0.05)


def test_unseen_part_is_zero_and_does_not_pull_its_neighbours():
    """A black floor that is marked unseen leaves the face beside it flat within 4 %."""
    light = np.full((400, 600), 0.4)
    light[:, 300:] = 0.01
    seen = np.ones(light.shape, bool)
    seen[:, 300:] = False
    relief = flatten_light(grey_face(light, seen)).relief
    assert 0.0 == float(np.abs(relief[:, 300:]).max())
    assert np.abs(relief[:, :290].mean()) < 0.04


def test_one_thread_and_two_give_the_same():
    """Strips do not depend on who works on them."""
    light = 0.3 + 0.1 * np.random.default_rng(1).random((1300, 300))
    face = grey_face(light)
    np.testing.assert_array_equal(
        flatten_light(face, threads=1).relief, flatten_light(face, threads=2).relief
    )


def test_robust_sd_of_a_normal_sample():
    """The middle half of 20 000 normal values of sd 2 suggests 2 within 3 %, outliers or not."""
    values = np.random.default_rng(6).normal(0, 2, 20_000)
    values[:500] = 1e3
    assert 2.0 == pytest.approx(robust_sd(values), rel=0.05)
