"""Blur, shake and noise against published numbers and made-up blur."""

import json
import math
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from rakelight.core.records import FaceMap
from rakelight.light.background import flatten_light
from rakelight.photo.sharpness import (
    convert_to_mtf50,
    measure_laplacian_variance,
    measure_noise,
    measure_sharpness,
    pick_tiles,
)
from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.lamp import Lamp as MadeUpLamp
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.recipes import choose_recipe
from rakelight.simulate.slab import make_slab

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[1] / "data" / "photo_quality.json").read_text(encoding="utf-8")
    )
}
MM_PER_PX = 0.2


@cache
def lit_slab(seed: int, name: str):
    """Return a slab of 120 x 90 mm and its raking light; drawn once for all blurs."""
    slab = make_slab(choose_recipe(name, size_mm=(120.0, 90.0), mm_per_px=MM_PER_PX), seed=seed)
    return slab, light_slab(slab, MadeUpLamp(from_deg=250.0, angle_deg=14.0))


def measure_photo(seed: int, name: str = "caps", **camera):
    """Return the sharpness of a made-up photo."""
    slab, radiance = lit_slab(seed, name)
    rgb = photograph(radiance, aim_camera(slab, Camera(**camera)), seed=seed)
    seen = np.ones(rgb.shape[:2], bool)
    return measure_sharpness(flatten_light(FaceMap(rgb, seen, MM_PER_PX)).relief, seen)


def test_laplacian_variance_of_an_impulse():
    """A unit impulse in a 7 x 7 picture has the Laplacian variance 20/49."""
    case = CASES["laplacian_variance_impulse"]
    picture = np.zeros((7, 7))
    picture[3, 3] = 1
    found = measure_laplacian_variance(picture)
    assert found == pytest.approx(case["expected"], abs=case["tolerance"])


@pytest.mark.parametrize("name", [name for name in CASES if name.startswith("mtf50")])
def test_mtf50_of_a_gaussian(name):
    """MTF50 of a Gaussian blur agrees with the worked values."""
    case = CASES[name]
    found = convert_to_mtf50(case["inputs"]["sigma_px"])
    assert found == pytest.approx(case["expected"], abs=case["tolerance"])


def test_mtf50_against_the_transform_of_an_edge():
    """An edge blurred by 2 px, differentiated and transformed, falls to half at the MTF50."""
    row = np.repeat([0.0, 1.0], 512)
    edge = cv2.GaussianBlur(np.tile(row, (3, 1)), (0, 0), 2.0)[1]
    contrast = np.abs(np.fft.rfft(np.diff(edge)))
    place = np.interp(0.5, contrast[60:150][::-1] / contrast[0], np.arange(60, 150)[::-1])
    assert convert_to_mtf50(2.0) == pytest.approx(place / 1023, rel=0.01)  # grid of 1023 px


@pytest.mark.parametrize("name", ["caps", "worn", "bubbles"])
@pytest.mark.parametrize("sigma_px", [1.5, 2.5, 4.0])
def test_blur_is_read_back(name, sigma_px):
    """Made-up blur is read back within a quarter (0.4 px at least)."""
    found = measure_photo(3, name, defocus_px=sigma_px)
    # Trials over all faces: middle half within 0.2 px, extremes 0.6 px.
    assert found.sigma_px == pytest.approx(sigma_px, abs=max(0.4, 0.25 * sigma_px))


def test_blur_grows_with_blur():
    """More blur is never read as less."""
    found = [measure_photo(4, defocus_px=sigma).sigma_px for sigma in (0.6, 1.0, 1.6, 2.4, 3.6)]
    assert found == sorted(found)
    assert found[0] < 1.1


@pytest.mark.parametrize("motion_deg", [0.0, 50.0, 120.0])
def test_shake_has_length_and_direction(motion_deg):
    """A straight smear of 10 px is seen as shake in its direction."""
    found = measure_photo(5, motion_px=10.0, motion_deg=motion_deg)
    assert found.shake_px == pytest.approx(10.0, abs=4.0)  # bins of 15 degrees, 0.7 px lens blur
    assert abs((found.shake_deg - motion_deg + 90) % 180 - 90) <= 25
    assert found.spread > 1.45


def test_still_camera_does_not_shake():
    """An evenly blurred photo is not called shaken."""
    found = measure_photo(5, defocus_px=1.5)
    assert found.spread < 1.45
    assert found.best_sigma_px <= found.mean_sigma_px <= found.worst_sigma_px


def test_noise_of_white_noise():
    """White noise of 5 % is read as 5 %."""
    noise = np.random.default_rng(1).normal(0, 0.05, (256, 256)).astype(np.float32)
    assert measure_noise([noise]) == pytest.approx(0.05, rel=0.03)  # 16,000 differences


def test_noise_does_not_see_a_slope():
    """A tilted plane of light has no noise."""
    plane = np.linspace(-0.3, 0.3, 256, dtype=np.float32)[None, :] * np.ones((256, 1), np.float32)
    assert measure_noise([plane]) == pytest.approx(0.0, abs=1e-6)  # float32 rounding


def test_blank_face_has_no_sharpness():
    """A face without any detail gives NaN, not a sharp photo."""
    found = measure_sharpness(np.zeros((300, 300), np.float32), np.ones((300, 300), bool))
    assert math.isnan(found.sigma_px) and math.isnan(found.worst_sigma_px)
    assert found.n_edges == 0


def test_only_what_is_seen_is_judged():
    """Sharp clutter outside the face changes nothing."""
    slab, radiance = lit_slab(6, "caps")
    rgb = photograph(radiance, aim_camera(slab, Camera(defocus_px=2.5)), seed=6)
    seen = np.ones(rgb.shape[:2], bool)
    seen[:, 300:] = False
    relief = flatten_light(FaceMap(rgb, seen, MM_PER_PX)).relief
    cluttered = relief.copy()
    cluttered[:, 300:] = np.random.default_rng(2).choice([-0.9, 2.0], cluttered[:, 300:].shape)
    assert measure_sharpness(cluttered, seen) == measure_sharpness(relief, seen)


def test_tiles_cover_small_and_large_faces():
    """A small face is one tile, a large one at most 18, all inside the picture."""
    assert len(list(pick_tiles(np.ones((100, 90), bool)))) == 1
    tiles = list(pick_tiles(np.ones((3000, 4000), bool)))
    assert len(tiles) == 18
    assert all(rows.stop <= 3000 and cols.stop <= 4000 for rows, cols in tiles)
    assert list(pick_tiles(np.zeros((600, 600), bool))) == []
