"""The photo turned into a map of the face."""

import cv2
import numpy as np
import pytest

from rakelight.core.records import Lens, Photo, Scale
from rakelight.scale.corners import scale_from_corners, scale_from_mm_per_px
from rakelight.scale.plane import bend_points, find_in_photo, straighten_points
from rakelight.scale.rectify import rectify_photo

SIZE_MM = (300.0, 200.0)
SHAPE_PX = (480, 640)
CORNERS_PX = [(80, 60), (570, 40), (600, 430), (50, 440)]


def make_photo(rgb):
    """Return a photo record around an array."""
    return Photo(rgb=rgb, name="made_up.png", sha256="0" * 64)


def draw_dots(scale, places_mm, shape_px=SHAPE_PX, sigma_px=3.0):
    """Return a photo of dark Gaussian dots at places on the slab, drawn without interpolation."""
    rows, cols = np.indices(shape_px)
    grey = np.full(shape_px, 200.0)
    for x, y in find_in_photo(scale, places_mm):
        grey -= 150 * np.exp(-((cols - x) ** 2 + (rows - y) ** 2) / (2 * sigma_px**2))
    return make_photo(np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2))


def find_dots(face, places_mm, reach_mm=8.0):
    """Return the darkness-weighted centres near places on a map, in mm."""
    dark = 200.0 - face.rgb[..., 0]
    found = []
    for x_mm, y_mm in places_mm:
        col, row, reach = (round(v / face.mm_per_px) for v in (x_mm, y_mm, reach_mm))
        window = np.clip(
            dark[row - reach : row + reach + 1, col - reach : col + reach + 1] - 8, 0, None
        )
        r, c = np.indices(window.shape)
        centre = (c * window).sum() / window.sum(), (r * window).sum() / window.sum()
        found.append(
            (
                (centre[0] + col - reach + 0.5) * face.mm_per_px,
                (centre[1] + row - reach + 0.5) * face.mm_per_px,
            )
        )
    return np.array(found)


PLACES_MM = np.array([(30.0, 30.0), (150.0, 100.0), (270.0, 170.0), (40.0, 160.0), (250.0, 25.0)])


def test_plain_scale_does_not_copy():
    """A known mm per pixel gives the photo's own array as the map, all of it seen."""
    photo = make_photo(np.random.default_rng(0).integers(0, 255, (50, 80, 3), np.uint8))
    face = rectify_photo(photo, scale_from_mm_per_px((50, 80), 0.2))
    assert face.rgb is photo.rgb
    assert face.seen.all() and face.seen.shape == (50, 80)
    assert face.size_mm == pytest.approx((16.0, 10.0))


def test_dots_come_out_at_their_millimetres():
    """Dots drawn at known places of a tilted slab are found there on the map, to 0.1 mm."""
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    face = rectify_photo(draw_dots(scale, PLACES_MM), scale)
    # A map pixel is 0.5 mm; the centre of an 8-bit dot is good to a tenth of it or two.
    np.testing.assert_allclose(find_dots(face, PLACES_MM), PLACES_MM, atol=0.1)
    assert face.size_mm == pytest.approx(SIZE_MM)
    assert face.seen.all()


def test_dots_come_out_through_a_barrel_lens():
    """The same holds when the lens bends the photo by several pixels and the lens is known."""
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    lens = Lens(-0.06, 0.01, (319.5, 239.5), 400.0)
    bent = Scale("marks", scale.mm_per_px, 0.0, scale.to_slab, SIZE_MM, lens=lens)
    shift = np.hypot(*(find_in_photo(bent, PLACES_MM) - find_in_photo(scale, PLACES_MM)).T)
    assert shift.max() > 3
    face = rectify_photo(draw_dots(bent, PLACES_MM), bent)
    np.testing.assert_allclose(find_dots(face, PLACES_MM), PLACES_MM, atol=0.1)


@pytest.mark.parametrize("k1", [0.0, -0.06])
def test_photo_read_at_half_size_keeps_places(k1):
    """Dots of a photo read at half size come out at the same millimetres, with and without a lens."""
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    lens = Lens(k1, 0.01, (319.5, 239.5), 400.0) if k1 else None
    scale = Scale("marks", scale.mm_per_px, 0.0, scale.to_slab, SIZE_MM, lens=lens)
    whole = draw_dots(scale, PLACES_MM)
    rows, cols = SHAPE_PX
    half = whole.rgb.reshape(rows // 2, 2, cols // 2, 2, 3).mean(axis=(1, 3)).astype(np.uint8)
    photo = Photo(rgb=half, name="half.png", sha256="0" * 64, shrink=2)
    assert photo.shape_px == SHAPE_PX
    face = rectify_photo(photo, scale)
    assert (face.mm_per_px, face.shrink) == (2 * scale.mm_per_px, 2)
    np.testing.assert_allclose(find_dots(face, PLACES_MM), PLACES_MM, atol=0.1)
    assert face.size_mm == pytest.approx(SIZE_MM)


def test_known_warp_agrees_with_opencv():
    """The map equals one cv2.warpPerspective with the half-pixel places worked out by hand."""
    rgb = np.random.default_rng(2).integers(0, 255, (*SHAPE_PX, 3), np.uint8)
    rgb = cv2.GaussianBlur(rgb, (0, 0), 2)
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    face = rectify_photo(make_photo(rgb), scale)
    to_map = np.array([[1 / scale.mm_per_px, 0, -0.5], [0, 1 / scale.mm_per_px, -0.5], [0, 0, 1]])
    size_px = face.rgb.shape[1::-1]
    expected = cv2.warpPerspective(rgb, to_map @ scale.to_slab, size_px, flags=cv2.INTER_LINEAR)
    # Grey levels may differ by the rounding of interpolation weights.
    assert np.abs(face.rgb[2:-2, 2:-2].astype(int) - expected[2:-2, 2:-2]).max() <= 2


def test_turned_photo_gives_the_same_map():
    """A photo turned by 90 degrees, with its corners, gives the same map."""
    rgb = np.random.default_rng(2).integers(0, 255, (*SHAPE_PX, 3), np.uint8)
    rgb = cv2.GaussianBlur(rgb, (0, 0), 2)
    turned_corners = [(SHAPE_PX[0] - 1 - y, x) for x, y in CORNERS_PX]
    turned_rgb = np.ascontiguousarray(np.rot90(rgb, -1))
    straight = rectify_photo(make_photo(rgb), scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX))
    turned = rectify_photo(
        make_photo(turned_rgb), scale_from_corners(turned_corners, SIZE_MM, SHAPE_PX[::-1])
    )
    assert straight.rgb.shape == turned.rgb.shape
    assert np.abs(straight.rgb.astype(int) - turned.rgb).max() <= 2


def test_face_outside_the_photo_is_not_seen():
    """Where the slab runs out of the photo the map is black and not seen, to a pixel."""
    corners = [(-100, 40), (540, 40), (540, 440), (-100, 440)]
    scale = scale_from_corners(corners, (320.0, 200.0), SHAPE_PX)
    face = rectify_photo(make_photo(np.full((*SHAPE_PX, 3), 180, np.uint8)), scale)
    # 100 of 640 px are missing: the photo starts at 50 mm less half a photo pixel.
    first_seen_mm = np.argmax(face.seen[50]) * face.mm_per_px
    assert first_seen_mm == pytest.approx(49.75, abs=face.mm_per_px)
    assert face.rgb[~face.seen].max() == 0
    assert face.rgb[face.seen].min() == 180
    assert face.seen_mm2 == pytest.approx((320 - 49.75) * 200, rel=0.003)


def test_lens_and_plain_coverage_agree():
    """A lens without distortion gives the same seen area as no lens."""
    corners = [(-100, 40), (540, 60), (520, 440), (-60, 500)]
    photo = make_photo(np.full((*SHAPE_PX, 3), 180, np.uint8))
    scale = scale_from_corners(corners, (320.0, 200.0), SHAPE_PX)
    still = Lens(0.0, 0.0, (319.5, 239.5), 400.0)
    with_lens = Scale("marks", scale.mm_per_px, 0.0, scale.to_slab, scale.size_mm, lens=still)
    plain, through = rectify_photo(photo, scale), rectify_photo(photo, with_lens)
    # About 900 pixels touch the border of the seen area; some centres lie exactly on it.
    assert np.count_nonzero(plain.seen != through.seen) <= 20


def test_lens_round_trip_and_opencv():
    """Bending undoes straightening, and agrees with cv2.projectPoints for the same k1 and k2."""
    lens = Lens(-0.21, 0.05, (2000.0, 1500.0), 2800.0)
    xy_px = np.random.default_rng(5).uniform((0, 0), (4000, 3000), (100, 2))
    np.testing.assert_allclose(bend_points(lens, straighten_points(lens, xy_px)), xy_px, atol=1e-3)
    camera = np.array([[2800.0, 0, 2000], [0, 2800, 1500], [0, 0, 1]])
    rays = np.column_stack([(xy_px - lens.centre_px) / 2800.0, np.ones(100)])
    expected, _ = cv2.projectPoints(
        rays, np.zeros(3), np.zeros(3), camera, np.array([-0.21, 0.05, 0, 0])
    )
    np.testing.assert_allclose(bend_points(lens, xy_px), expected[:, 0], atol=1e-6)


def test_large_map_is_cut_into_blocks(monkeypatch):
    """A map made in blocks equals the map made in one piece."""
    rgb = cv2.GaussianBlur(
        np.random.default_rng(2).integers(0, 255, (*SHAPE_PX, 3), np.uint8), (0, 0), 2
    )
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    whole = rectify_photo(make_photo(rgb), scale)
    monkeypatch.setattr("rakelight.scale.rectify.BLOCK_PX", 150)
    blocks = rectify_photo(make_photo(rgb), scale)
    assert np.abs(whole.rgb.astype(int) - blocks.rgb).max() <= 2


def test_threads_are_given_back():
    """The number of OpenCV threads is the same after as before."""
    before = cv2.getNumThreads()
    photo = make_photo(np.full((*SHAPE_PX, 3), 180, np.uint8))
    rectify_photo(photo, scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX), threads=1)
    assert cv2.getNumThreads() == before


def test_strong_lens_does_not_fold_back():
    """Far outside the photo a barrel polynomial turns back; such places stay outside the photo."""
    lens = Lens(-0.1, 0.0, (320.0, 240.0), 400.0)
    far = np.array([[320 + 400 * r, 240.0] for r in np.linspace(0.5, 6, 200)])
    seen = bend_points(lens, far)[:, 0]
    assert (np.diff(seen) >= -1e-9).all()
    assert seen[-1] > 640
