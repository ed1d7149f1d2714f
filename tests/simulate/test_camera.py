"""Made-up photos: where things land in the photo and what the camera does to them."""

import cv2
import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.simulate import Camera, Lamp, choose_recipe, make_slab, simulate_photo
from rakelight.simulate.camera import aim_camera, encode_srgb, photograph


def plain_camera(**changes):
    """Return a camera without blur, noise, sharpening or JPEG, aimed at 60 x 40 mm of .2 mm."""
    settings = {
        "slab_size_mm": (60.0, 40.0),
        "slab_mm_per_px": 0.2,
        "defocus_px": 0.0,
        "read_noise": 0.0,
        "full_well": float("inf"),
        "sharpening": 0.0,
        "jpeg_quality": None,
        "vignetting": 0.0,
        "exposure": 1.0,
    }
    return Camera(**(settings | changes))


def dots(places_px, shape=(200, 300)):
    """Return a grey slab with white discs of 5 px radius at x, y pixel places."""
    picture = np.full((*shape, 3), 0.2, np.float32)
    for x, y in places_px:
        rows, cols = np.ogrid[: shape[0], : shape[1]]
        picture[np.hypot(cols - x, rows - y) <= 5] = 0.9
    return picture


def find_dot(rgb, near):
    """Return the centre of the bright dot near a photo pixel."""
    x0, y0 = int(near[0]) - 14, int(near[1]) - 14
    window = rgb[y0 : y0 + 29, x0 : x0 + 29, 1].astype(float)
    weight = np.clip(window - 140, 0, None)
    rows, cols = np.mgrid[:29, :29]
    return np.array([(weight * cols).sum(), (weight * rows).sum()]) / weight.sum() + (x0, y0)


def test_straight_camera_keeps_the_grid():
    """Straight from above a photo pixel is a slab pixel: same size, same place, 5.0 px per mm."""
    photo = simulate_photo(3, recipe=choose_recipe("caps", size_mm=(40.0, 30.0)))
    assert (150, 200, 3) == photo.rgb.shape
    assert photo.rgb.dtype == np.uint8
    # x_mm = (col + .5) * mm_per_px, hence col = x_mm / mm_per_px - .5.
    np.testing.assert_allclose([[49.5, 99.5]], photo.camera.project([[10.0, 20.0]]))
    picture = dots([(40, 60)])
    rgb = photograph(picture, plain_camera(), seed=1)
    np.testing.assert_array_equal(rgb[60, 40], np.round(encode_srgb(np.array([0.9] * 3)) * 255))


@pytest.mark.parametrize(
    "changes",
    [
        {"tilt_deg": 20.0},
        {"tilt_deg": 35.0, "tilt_from_deg": 60.0, "turn_deg": 15.0},
        {"turn_deg": 90.0},
        {"k1": -0.08},
        {"tilt_deg": 20.0, "k1": 0.05, "turn_deg": -30.0, "aim_mm": (25.0, 22.0)},
    ],
)
def test_dots_land_where_project_says(changes):
    """White dots on the slab appear in the photo at the pixels that project() names."""
    places = np.array([(60, 50), (150, 100), (240, 50), (60, 150), (240, 150)])
    camera = plain_camera(size_px=(700, 640), mm_per_px=0.12, distance_mm=150.0, **changes)
    rgb = photograph(dots(places), camera, seed=1)
    expected = camera.project((places + 0.5) * 0.2)
    found = np.array([find_dot(rgb, point) for point in expected])
    # A disc's centre is not the centre of its picture in perspective: half a pixel.
    np.testing.assert_allclose(expected, found, atol=0.6)


def test_project_agrees_with_perspective_transform():
    """Without lens bend project() is OpenCV's perspectiveTransform of the homography."""
    camera = plain_camera(tilt_deg=30, tilt_from_deg=200, turn_deg=12, size_px=(900, 700))
    points = np.random.default_rng(1).uniform(-5, 60, (50, 2))
    expected = cv2.perspectiveTransform(points[None], camera.homography)[0]
    np.testing.assert_allclose(expected, camera.project(points), rtol=1e-9)


def test_lens_bend_agrees_with_a_second_formula():
    """A point on the half diagonal moves outward by the share k1 of its distance."""
    camera = plain_camera(k1=-0.1, size_px=(801, 601))
    corner = np.linalg.inv(camera.homography) @ np.array([0.0, 0.0, 1.0])
    # Pixel (0, 0) is 500 px from the middle (400, 300): a tenth is 50 px, 40 across and 30 down.
    np.testing.assert_allclose([[40.0, 30.0]], camera.project([corner[:2] / corner[2]]), atol=1e-6)


def test_near_side_is_larger_when_tilted():
    """A camera that stands at the bottom edge sees the bottom edge longer than the top edge."""
    camera = plain_camera(tilt_deg=25, tilt_from_deg=180, size_px=(900, 700), distance_mm=200.0)
    corners = camera.find_corners()
    top, bottom = np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[2] - corners[3]))
    assert bottom > 1.02 * top


def test_turned_camera_shows_the_slab_turned_clockwise():
    """At 90 degrees the slab's top-left corner is in the photo's top right."""
    corners = plain_camera(turn_deg=90, size_px=(700, 700)).find_corners()
    assert corners[0, 0] > 350 > corners[0, 1]


def test_floor_lies_outside_the_slab_only():
    """What lies around the slab is dark and the slab's corners part the two."""
    camera = plain_camera(size_px=(400, 300))
    rgb = photograph(np.full((200, 300, 3), 0.5, np.float32), camera, seed=1)
    corners = np.round(camera.find_corners()).astype(int)
    assert (50, 50) == tuple(corners[0])
    assert rgb[52, 52].min() > 180
    assert rgb[46, 46].max() < 90


def test_same_seed_same_photo():
    """The photo is the same for the same seed and another for another seed."""
    picture = dots([(40, 60)])
    camera = aim_camera(make_slab(choose_recipe("caps", size_mm=(60.0, 40.0)), seed=1))
    first = photograph(picture, camera, seed=5)
    np.testing.assert_array_equal(first, photograph(picture, camera, seed=5))
    assert (first != photograph(picture, camera, seed=6)).any()


def test_noise_has_the_asked_size():
    """Noise on an even face is the root of signal / full well and read noise squared."""
    camera = plain_camera(read_noise=0.01, full_well=5000.0)
    rgb = photograph(np.full((200, 300, 3), 0.3, np.float32), camera, seed=1) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    # 60 000 samples and rounding to 255 levels: 3 %.
    assert np.sqrt(0.3 / 5000 + 0.01**2) == pytest.approx(linear.std(), rel=0.03)


def test_blur_of_camera_and_of_motion():
    """Defocus spreads a dot alike, motion spreads it along its direction only."""
    picture = np.full((61, 61, 3), 0.1, np.float32)
    picture[30, 30] = 0.9
    camera = {"slab_size_mm": (12.2, 12.2)}
    round_spot = photograph(picture, plain_camera(defocus_px=2.0, **camera), seed=1)[:, :, 0]
    assert round_spot[30, 33] == round_spot[33, 30] > round_spot[30, 40]
    smear = photograph(picture, plain_camera(motion_px=8.0, **camera), seed=1)[:, :, 0]
    assert smear[30, 33] > smear[33, 30]


def test_srgb_curve():
    """Linear .18 is 118 of 255 and the ends stay the ends."""
    expected = [0.0, 12.92 * 0.002, 1.055 * 0.18 ** (1 / 2.4) - 0.055, 1.0, 1.0]
    found = encode_srgb(np.array([-0.1, 0.002, 0.18, 1.0, 3.0], np.float32))
    # Half a grey level of 255.
    np.testing.assert_allclose(expected, found, atol=0.002)


def test_unaimed_camera_is_refused():
    """A camera that knows no slab says so."""
    with pytest.raises(SettingsError, match="Aim the camera"):
        Camera(tilt_deg=10).project([[0, 0]])


def test_photo_of_a_lit_slab_is_well_exposed():
    """Without a set exposure the face comes out in the middle of the range and little is clipped."""
    photo = simulate_photo(2, recipe=choose_recipe("worn", size_mm=(60.0, 40.0)), lamp=Lamp(0, 12))
    assert 110 < np.median(photo.rgb) < 200
    assert np.mean(photo.rgb == 255) < 0.03
