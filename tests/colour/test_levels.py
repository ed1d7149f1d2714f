"""A patch and its ring as two levels, against painted ones."""

import numpy as np
import pytest

from rakelight.colour.levels import blur_disc, fit_levels
from rakelight.colour.rounding import NO_ROUNDING, Rounding

RING, STEP = np.array([0.30, 0.28, 0.24]), np.array([-0.04, -0.035, -0.02])


def paint(radius_px: float, *, noise: float = 0.0, seed: int = 0):
    """Return light, x, y and the distances of a cut-out with one blurred disc on a slope of light."""
    reach = round(1.6 * radius_px + 8)
    y, x = np.ogrid[-reach : reach + 1, -reach : reach + 1]
    away = np.hypot(x, y)
    share = blur_disc(away, radius_px, 0.75)[:, :, None]
    light = (RING + share * STEP) * (1 + 0.001 * x[:, :, None])
    light = light + noise * np.random.default_rng(seed).standard_normal(light.shape)
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
    """Without noise within 2 % of the step: chroma is thought a little softer than luma, here it is not."""
    levels = fit(paint(radius_px), radius_px)
    assert RING == pytest.approx(levels.ring, abs=0.02 * 0.04)
    assert RING + STEP == pytest.approx(levels.patch, abs=0.06 * 0.04)


def test_the_uncertainty_holds_the_error_of_noise():
    """Sixty noisy patches of 10 pixels: four in five or more errors of luma within two sd, seldom all within one."""
    luma = np.array([0.299, 0.587, 0.114])
    within = []
    for seed in range(60):
        levels = fit(paint(5.0, noise=0.01, seed=seed), 5.0)
        within.append(abs((levels.patch - RING - STEP) @ luma) / abs(levels.step_sd[0] @ luma))
    assert 0.8 <= np.mean(np.array(within) <= 2)
    assert np.mean(np.array(within) <= 1) < 1


def test_a_files_rounding_widens_it():
    """The same patch from a coarse file is known less, in chroma most."""
    plain, coarse = (
        fit(paint(5.0), 5.0, rounding=rounding).step_sd for rounding in (NO_ROUNDING, Rounding())
    )
    assert (np.linalg.norm(coarse[1:], axis=1) > 3 * np.linalg.norm(plain[1:], axis=1)).all()


def test_specks_do_not_count():
    """A black pinhole in the patch and one in the ring leave both levels within 2 % of the step."""
    light, x, y, away = paint(12.0, noise=0.003)
    light[(np.abs(x - 3) <= 1) & (np.abs(y - 2) <= 1)] = 0.01
    light[(np.abs(x - 17) <= 1) & (np.abs(y) <= 1)] = 0.01
    levels = fit((light, x, y, away), 12.0)
    assert STEP == pytest.approx(levels.patch - levels.ring, abs=0.1 * 0.04)


def test_what_is_not_usable_does_not_count():
    """Half of the ring hidden under something black changes nothing."""
    light, x, y, away = paint(8.0)
    hidden = (away > 10) & (x > 0)
    light[hidden] = 0.0
    levels = fit((light, x, y, away), 8.0, usable=~hidden)
    assert STEP == pytest.approx(levels.patch - levels.ring, abs=0.06 * 0.04)
