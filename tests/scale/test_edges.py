"""The slab's edges in the photo: offered corners, and the lens and corners they mend."""

import numpy as np
import pytest

from rakelight.core.flags import flag_names
from rakelight.core.records import Photo
from rakelight.scale.corners import scale_from_corners
from rakelight.scale.edges import offer_corners, scale_from_slab_edges
from rakelight.scale.plane import make_grid, place_on_slab

from .scenes import lay_on, take_photo

SLAB_MM = (600.0, 400.0)
VIEW = {"mm_per_px": 0.5, "size_px": (1520, 1120), "distance_mm": 1000, "vignetting": 0.3}


@pytest.fixture(scope="module")
def slab(card_print):
    """A grey face with grain, pits and the card on it."""
    rng = np.random.default_rng(4)
    scene = np.full((1600, 2400, 3), 0.32, np.float32)
    scene *= 1 + 0.08 * rng.standard_normal((1600, 2400, 1), np.float32)
    for x, y in rng.integers(10, (2380, 1580), (250, 2)):
        scene[y : y + 7, x : x + 7] *= 0.3
    return lay_on(scene, card_print, (420, 200))


def pick(camera, error_px=1.5, seed=0):
    """Return the slab's corners as a person would pick them."""
    return camera.find_corners() + np.random.default_rng(seed).normal(0, error_px, (4, 2))


def rms_mm(scale, camera):
    """Return how far places on the whole face come out from the truth."""
    field = make_grid(SLAB_MM, 11)
    found = place_on_slab(scale, camera.project(field))
    return float(np.sqrt(np.mean(np.sum((found - field) ** 2, axis=1))))


@pytest.mark.parametrize(
    ("tilt_deg", "k1", "side_deg"),
    [(0, 0, 180), (20, -0.02, 30), (35, -0.05, 0), (20, -0.05, 200), (30, 0.03, 120)],
)
def test_edges_straighten_the_lens(slab, tilt_deg, k1, side_deg):
    """Corners picked 1.5 px wrong, with the edges: within 0.4 mm rms, barrel or not."""
    photo, camera = take_photo(slab, tilt_deg=tilt_deg, tilt_from_deg=side_deg, k1=k1, **VIEW)
    scale = scale_from_slab_edges(photo, pick(camera), SLAB_MM)
    assert rms_mm(scale, camera) < 0.4
    if k1:
        assert scale.lens.k1 == pytest.approx(k1, abs=0.004)
        assert rms_mm(scale_from_corners(pick(camera), SLAB_MM, photo.shape_px), camera) > 0.9
        assert "lens_not_corrected" not in flag_names(scale.flags)
    else:
        assert scale.lens is None


@pytest.mark.parametrize(
    ("tilt_deg", "k1", "side_deg", "turn_deg"),
    [(0, 0, 180, 0), (20, 0, 0, 0), (35, -0.05, 0, 3), (30, -0.03, 120, -5)],
)
def test_offered_corners(slab, tilt_deg, k1, side_deg, turn_deg):
    """The four corners are offered within 3 px, also where the slab's own side shows."""
    photo, camera = take_photo(
        slab, tilt_deg=tilt_deg, tilt_from_deg=side_deg, turn_deg=turn_deg, k1=k1, **VIEW
    )
    offer = offer_corners(photo)
    assert np.hypot(*(offer.corners_px - camera.find_corners()).T).max() < 3
    assert offer.support > 0.7


def test_nothing_clear_offers_nothing():
    """Where the face fills the photo, and where there is no face, nothing is offered."""
    rng = np.random.default_rng(1)
    noise = rng.integers(90, 160, (600, 800, 3)).astype(np.uint8)
    assert offer_corners(Photo(noise, "a.png", "0" * 64)) is None
    flat = np.full((600, 800, 3), 120, np.uint8)
    assert offer_corners(Photo(flat, "a.png", "0" * 64)) is None


def test_edges_that_are_not_there_change_nothing():
    """Without edges the answer is that of the picked corners alone."""
    photo = Photo(np.full((600, 800, 3), 120, np.uint8), "a.png", "0" * 64)
    corners = [(50, 60), (740, 50), (760, 540), (40, 550)]
    expected = scale_from_corners(corners, SLAB_MM, photo.shape_px)
    found = scale_from_slab_edges(photo, corners, SLAB_MM)
    np.testing.assert_array_equal(found.to_slab, expected.to_slab)
    assert found.flags == expected.flags
