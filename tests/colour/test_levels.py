"""A patch and its ring as two levels, against painted ones."""

import cv2
import numpy as np
import pytest

from rakelight.colour.levels import blur_disc, fit_levels
from rakelight.colour.rounding import NO_ROUNDING, Rounding

RING, STEP = np.array([0.30, 0.28, 0.24]), np.array([-0.04, -0.035, -0.02])


def paint(radius_px: float, *, noise: float = 0.0, smooth_px: float = 0.0, seed: int = 0):
    """Return light, x, y and the distances of a cut-out with one blurred disc on a slope of light.

    `noise` is its sd per pixel; neighbours share it when it is smoothed, as a camera does.
    """
    reach = round(1.6 * radius_px + 8)
    y, x = np.ogrid[-reach : reach + 1, -reach : reach + 1]
    away = np.hypot(x, y)
    share = blur_disc(away, radius_px, 0.75)[:, :, None]
    light = (RING + share * STEP) * (1 + 0.001 * x[:, :, None])
    grain = np.random.default_rng(seed).standard_normal(light.shape)
    if smooth_px:
        grain = cv2.GaussianBlur(grain, (0, 0), smooth_px)
        grain /= grain.std()
    light = light + noise * grain
    return light.astype(np.float32), x, y, away


def fit(picture, radius_px: float, **changes):
    """Return the levels of a picture."""
    light, x, y, away = picture
    usable = np.ones(away.shape, bool)
    return fit_levels(
        light, x, y, radius_px=radius_px, **({"usable": usable, "rounding": NO_ROUNDING} | changes)
    )


@pytest.mark.parametrize("radius_px", [4.0, 7.0, 20.0])
def test_both_levels_are_found(radius_px):
    """Without noise: the ring to 0.2 % of the step, the patch to 3 %, as chroma is thought softer than it is here."""
    levels = fit(paint(radius_px), radius_px)
    assert RING == pytest.approx(levels.ring, abs=0.002 * 0.04)
    assert RING + STEP == pytest.approx(levels.patch, abs=0.03 * 0.04)


def compare_errors(smooth_px: float) -> np.ndarray:
    """Return the errors of luma of sixty noisy patches of 10 pixels, each over its own sd."""
    luma = np.array([0.299, 0.587, 0.114])
    errors = []
    for seed in range(60):
        levels = fit(paint(5.0, noise=0.01, smooth_px=smooth_px, seed=seed), 5.0)
        errors.append(abs((levels.patch - RING - STEP) @ luma) / abs(levels.step_sd[0] @ luma))
    return np.array(errors)


@pytest.mark.parametrize("smooth_px", [0.8, 1.1])
def test_the_uncertainty_is_that_of_a_cameras_noise(smooth_px):
    """Noise that neighbours share: of a normal error two in three lie within one sd, nineteen in twenty within two.

    Sixty of them know the first share to 0.06; an sd half as large again would hold 0.87 and 0.997, one a
    third smaller 0.5 and 0.82.
    """
    errors = compare_errors(smooth_px)
    assert 0.5 < np.mean(errors <= 1) < 0.84
    assert 0.88 < np.mean(errors <= 2)


def test_noise_of_single_pixels_is_thought_worse_than_it_is():
    """Four neighbours at least are taken to tell the same: where none do, the sd is twice the error, no more."""
    assert np.sqrt(np.mean(np.square(compare_errors(0.0)))) == pytest.approx(0.5, abs=0.1)


def test_a_files_rounding_widens_it():
    """The same patch from a coarse file is known less, in chroma most."""
    plain, coarse = (
        fit(paint(5.0), 5.0, rounding=rounding).step_sd for rounding in (NO_ROUNDING, Rounding())
    )
    assert (np.linalg.norm(coarse[1:], axis=1) > 3 * np.linalg.norm(plain[1:], axis=1)).all()


def test_specks_do_not_count():
    """A black pinhole in the patch (12 % of the step, were it averaged) and one in the ring: the step to 3 %."""
    light, x, y, away = paint(12.0, noise=0.003)
    light[(np.abs(x - 3) <= 1) & (np.abs(y - 2) <= 1)] = 0.01
    light[(np.abs(x - 17) <= 1) & (np.abs(y) <= 1)] = 0.01
    levels = fit((light, x, y, away), 12.0)
    assert STEP == pytest.approx(levels.patch - levels.ring, abs=0.03 * 0.04)


def test_what_is_not_usable_does_not_count():
    """Half of the ring hidden under something black: the step to 3 %, as when all of it is seen."""
    light, x, y, away = paint(8.0)
    hidden = (away > 10) & (x > 0)
    light[hidden] = 0.0
    levels = fit((light, x, y, away), 8.0, usable=~hidden)
    assert STEP == pytest.approx(levels.patch - levels.ring, abs=0.03 * 0.04)
