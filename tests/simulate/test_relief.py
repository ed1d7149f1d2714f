"""Heights from normal maps."""

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.simulate import Lamp
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.relief import integrate_normals, make_relief_slab


def pack_normals(height_mm, mm_per_px, *, green_points_up=False):
    """Return the 8-bit normal map of a face that repeats at its borders."""
    right = (np.roll(height_mm, -1, 1) - np.roll(height_mm, 1, 1)) / (2 * mm_per_px)
    down = (np.roll(height_mm, -1, 0) - np.roll(height_mm, 1, 0)) / (2 * mm_per_px)
    normal = np.stack([-right, down if green_points_up else -down, np.ones_like(right)], axis=2)
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    return np.round((normal + 1) * 127.5).astype(np.uint8)


@pytest.fixture
def bowls():
    """Return a face of 128 x 128 px of .3 mm with two smooth bowls 1.5 and .8 mm deep."""
    rows, cols = np.mgrid[:128, :128]
    height = -1.5 * np.exp(-((rows - 40) ** 2 + (cols - 50) ** 2) / 120)
    return height - 0.8 * np.exp(-((rows - 90) ** 2 + (cols - 80) ** 2) / 80)


@pytest.mark.parametrize("green_points_up", [False, True])
def test_height_comes_back(bowls, green_points_up):
    """A face made into a normal map and integrated is the face again, but for its mean."""
    normals = pack_normals(bowls, 0.3, green_points_up=green_points_up)
    height = integrate_normals(normals, 0.3, green_points_up=green_points_up)
    # 8 bits per slope and differences over two pixels: 3 % of the deepest bowl.
    np.testing.assert_allclose(bowls - bowls.mean(), height, atol=0.05)


def test_height_grows_with_the_assumed_scale(bowls):
    """Twice the assumed pixel size doubles the depth."""
    normals = pack_normals(bowls, 0.3)
    np.testing.assert_allclose(
        2 * integrate_normals(normals, 0.3), integrate_normals(normals, 0.6), rtol=1e-5, atol=1e-6
    )


def test_relief_slab_can_be_lit(bowls):
    """A slab made of a relief shows a bowl dark on the lamp's side and has an empty truth."""
    slab = make_relief_slab(bowls.astype(np.float32), 0.3, seed=1)
    light = light_slab(slab, Lamp(270, 15))[40, :, 1] / slab.albedo[40, :, 1]
    assert light[44] < 0.6 < 1.3 < light[58]
    assert 0 == len(slab.pits) == len(slab.marks)


def test_grey_picture_is_no_normal_map():
    """A picture without three colours is refused in words."""
    with pytest.raises(SettingsError, match="normal map"):
        integrate_normals(np.zeros((8, 8), np.uint8), 0.3)
