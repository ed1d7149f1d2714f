"""Scale from millimetres per pixel, four corners or one length."""

import math

import cv2
import numpy as np
import pytest

from rakelight.core.errors import ScaleError
from rakelight.core.flags import flag_names
from rakelight.scale.corners import scale_from_corners, scale_from_length, scale_from_mm_per_px
from rakelight.scale.plane import find_in_photo, place_on_slab

SHAPE_PX = (3000, 4000)
SIZE_MM = (600.0, 400.0)
CORNERS_PX = [(420, 380), (3510, 300), (3720, 2600), (260, 2710)]


def look_at(size_mm, *, tilt_deg, turn_deg=0.0, focal_px=3200.0, shape_px=SHAPE_PX, away_mm=700.0):
    """Return slab mm -> photo px of a pinhole camera above the middle, tilted about an axis."""
    tilt, turn = math.radians(tilt_deg), math.radians(turn_deg)
    about = np.array([math.cos(turn), math.sin(turn), 0.0])
    rotation, _ = cv2.Rodrigues(about * tilt)
    camera = np.array(
        [[focal_px, 0, (shape_px[1] - 1) / 2], [0, focal_px, (shape_px[0] - 1) / 2], [0, 0, 1]]
    )
    middle = np.array([size_mm[0] / 2, size_mm[1] / 2, 0])
    shift = np.array([0, 0, away_mm]) - rotation @ middle
    matrix = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])
    return matrix / matrix[2, 2]


def view_corners(to_photo, size_mm):
    """Return where a camera sees the face's corners."""
    w, h = size_mm
    corners = np.array([[[0, 0], [w, 0], [w, h], [0, h]]], float)
    return cv2.perspectiveTransform(corners, to_photo)[0]


def test_mm_per_px_places_pixel_centres_half_a_pixel_in():
    """The centre of photo pixel (col 0, row 0) lies half a pixel inside the slab's corner."""
    scale = scale_from_mm_per_px((100, 200), 0.5)
    np.testing.assert_allclose(
        place_on_slab(scale, [(0, 0), (199, 99)]), [(0.25, 0.25), (99.75, 49.75)]
    )
    assert scale.size_mm == (100.0, 50.0)
    assert math.isnan(scale.mm_per_px_sd)


def test_corners_land_on_the_face_corners():
    """The picked corners come out as the face's corners, and back again."""
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    expected = [(0, 0), (600, 0), (600, 400), (0, 400)]
    np.testing.assert_allclose(place_on_slab(scale, CORNERS_PX), expected, atol=1e-6)
    np.testing.assert_allclose(find_in_photo(scale, expected), CORNERS_PX, atol=1e-6)


def test_corners_agree_with_opencv():
    """The homography is the one OpenCV gives for the same four pairs."""
    expected = cv2.getPerspectiveTransform(
        np.float32(CORNERS_PX), np.float32([(0, 0), (600, 0), (600, 400), (0, 400)])
    )
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    np.testing.assert_allclose(scale.to_slab, expected, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("tilt_deg", [0, 15, 35])
@pytest.mark.parametrize("turn_deg", [0, 60])
def test_tilted_photo_is_placed_within_a_millimetre(tilt_deg, turn_deg):
    """Places on the face are right to 1 mm with corners picked 1.5 px wrong at a tilted camera."""
    to_photo = look_at(SIZE_MM, tilt_deg=tilt_deg, turn_deg=turn_deg)
    wrong = np.array([(1, -1), (-1, -1), (1, 1), (-1, 1)]) * 1.5 / math.sqrt(2)
    scale = scale_from_corners(view_corners(to_photo, SIZE_MM) + wrong, SIZE_MM, SHAPE_PX)
    truth = np.random.default_rng(3).uniform((0, 0), SIZE_MM, (200, 2))
    seen = cv2.perspectiveTransform(truth[None], to_photo)[0]
    # 1.5 px at 0.2-0.3 mm per px is up to 0.5 mm, at the corner that was picked wrong.
    assert np.hypot(*(place_on_slab(scale, seen) - truth).T).max() < 1.0
    assert scale.tilt_deg == pytest.approx(tilt_deg, abs=8 if tilt_deg else 4)


def test_map_size_keeps_detail_and_memory():
    """The map is as fine as the photo's finest pixel and holds at most 1.3 of its pixels."""
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    n_map_px = SIZE_MM[0] * SIZE_MM[1] / scale.mm_per_px**2
    assert n_map_px <= 1.3 * 12e6 * 1.001
    assert scale.mm_per_px <= scale.spread_mm_per_px[0] * 1.001
    for side_mm in SIZE_MM:
        assert side_mm / scale.mm_per_px == pytest.approx(round(side_mm / scale.mm_per_px))


def test_scale_doubt_follows_picking():
    """Simulated picking of corners scatters the local scale as much as mm_per_px_sd says."""
    rng = np.random.default_rng(1)
    scale = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX, corner_sd_px=2.0)
    ends_px = find_in_photo(scale, [(290, 200), (310, 200)])
    lengths = []
    for _ in range(300):
        moved = np.array(CORNERS_PX) + rng.normal(0, 2.0, (4, 2))
        ends = place_on_slab(scale_from_corners(moved, SIZE_MM, SHAPE_PX), ends_px)
        lengths.append(np.hypot(*(ends[1] - ends[0])))
    scatter = np.std(lengths) / 20
    stated = scale.mm_per_px_sd / scale.mm_per_px
    # The stated value is the mean over the face and both directions: a factor of 2 either way.
    assert 0.5 < stated / scatter < 2.5


def test_turned_photo_gives_the_same_face():
    """A photo turned by 90 degrees, with its corners, places the same point at the same mm."""
    straight = scale_from_corners(CORNERS_PX, SIZE_MM, SHAPE_PX)
    turned_corners = [(SHAPE_PX[0] - 1 - y, x) for x, y in CORNERS_PX]
    turned = scale_from_corners(turned_corners, SIZE_MM, SHAPE_PX[::-1])
    x, y = 1800.0, 1250.0
    np.testing.assert_allclose(
        place_on_slab(turned, [(SHAPE_PX[0] - 1 - y, x)]), place_on_slab(straight, [(x, y)])
    )


def test_length_gives_scale_and_says_so():
    """One length of 500 mm over 1000 px is 0.5 mm per px, flagged as ignoring perspective."""
    scale = scale_from_length((100, 200), (100, 1200), 500.0, SHAPE_PX)
    assert scale.mm_per_px == pytest.approx(0.5)
    assert "perspective_ignored" in flag_names(scale.flags)
    assert scale.mm_per_px_sd == pytest.approx(0.5 * math.sqrt(2) * 1.5 / 1000)


@pytest.mark.parametrize(
    ("corners", "words"),
    [
        (CORNERS_PX[:3], "four corners"),
        (CORNERS_PX[::-1], "wrong way round"),
        ([CORNERS_PX[0], CORNERS_PX[2], CORNERS_PX[1], CORNERS_PX[3]], "four-sided"),
        ([(0, 0), (9000, 0), (3000, 2000), (0, 2000)], "far outside"),
        ([(0, 0), (50, 0), (50, 40), (0, 40)], "too little"),
        ([(500, 300), (900, 300), (900, 2700), (500, 2700)], "do not fit"),
        ([(0, math.nan), (50, 0), (50, 40), (0, 40)], "two numbers"),
    ],
)
def test_wrong_corners_give_one_sentence(corners, words):
    """Each way to give wrong corners is answered by one sentence that says what to do."""
    with pytest.raises(ScaleError, match=words) as caught:
        scale_from_corners(corners, SIZE_MM, SHAPE_PX)
    assert str(caught.value).count(". ") == 0


@pytest.mark.parametrize("mm_per_px", [0, -1, math.nan, math.inf, 100, 1e-6, "wide"])
def test_wrong_mm_per_px_is_refused(mm_per_px):
    """A scale that no photo can have is refused."""
    with pytest.raises(ScaleError):
        scale_from_mm_per_px(SHAPE_PX, mm_per_px)


@pytest.mark.parametrize("size_mm", [(0, 400), (600,), (600, -1), (1e6, 400), (math.nan, 400)])
def test_wrong_size_is_refused(size_mm):
    """A slab size that makes no sense is refused."""
    with pytest.raises(ScaleError):
        scale_from_corners(CORNERS_PX, size_mm, SHAPE_PX)


def test_short_length_is_refused():
    """Two points closer than 20 px carry no scale."""
    with pytest.raises(ScaleError, match="20 pixels"):
        scale_from_length((100, 200), (105, 200), 5.0, SHAPE_PX)
