"""A photo read no larger than its smallest pit asks for, and the same answer from it."""

import math

import cv2
import numpy as np
import pytest
from PIL import Image
from scipy.spatial import cKDTree

from rakelight.core.errors import ScaleError
from rakelight.core.records import Lamp, Photo
from rakelight.core.settings import Settings
from rakelight.inspection import Given, change_settings, inspect_photo, settle_scale
from rakelight.opening import guess_mm_per_px, look_ahead, open_photo, pick_shrink
from rakelight.scale.corners import scale_from_mm_per_px
from rakelight.scale.layout import FIDUCIAL_SIDE_MM, FIDUCIALS_MM
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate import choose_recipe, simulate_photo

MM_PER_PX = 0.08
SAID = Lamp(270.0, 14.0, basis="said")


@pytest.fixture(scope="module")
def sharp_file(tmp_path_factory):
    """A photo of 3360 x 2560 pixels at .08 mm: a made-up face of a quarter of that, four times."""
    recipe = choose_recipe("worn", size_mm=(134.4, 102.4), mm_per_px=MM_PER_PX, pits_per_m2=5000)
    rgb = simulate_photo(810101, recipe=recipe, lamp=SceneLamp(270.0, 14.0)).rgb
    path = tmp_path_factory.mktemp("sharp") / "sharp.jpg"
    Image.fromarray(np.tile(rgb, (2, 2, 1))).save(path, quality=93)
    return path


@pytest.fixture(scope="module")
def card_photo(tmp_path_factory):
    """Photos of grain at .1 mm per pixel by path: without the scale card, and with its four squares on paper."""
    folder, rng = tmp_path_factory.mktemp("card"), np.random.default_rng(3)
    grey = np.clip(cv2.GaussianBlur(rng.normal(0, 60, (2000, 2400)), (0, 0), 1.5) + 110, 0, 255)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    paths = {}
    for is_there in (False, True):
        if is_there:
            grey[40:1960, 200:2160] = 235
            for mark_id, (x_mm, y_mm) in FIDUCIALS_MM.items():
                row, col = round(50 + 10 * y_mm), round(210 + 10 * x_mm)
                side = round(10 * FIDUCIAL_SIDE_MM)
                square = cv2.aruco.generateImageMarker(dictionary, mark_id, side)
                grey[row : row + side, col : col + side] = np.clip(square, 20, 235)
        paths[folder / f"{is_there}.jpg"] = is_there
        Image.fromarray(np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2)).save(
            folder / f"{is_there}.jpg", quality=93
        )
    return paths


def settings_for(smallest_mm, enough_px=6.0):
    """Return settings that count from a size and read a photo as small as that allows."""
    return change_settings(
        Settings(), find={"smallest_mm": smallest_mm}, photo={"enough_px": enough_px}
    )


def inspect_both(path, given, smallest_mm):
    """Return the record of the photo in full and of the same as small as it may be read."""
    return tuple(
        inspect_photo(path, given, settings=settings_for(smallest_mm, enough_px))
        for enough_px in (10000.0, 6.0)
    )


@pytest.mark.parametrize("smallest_mm", [1.0, 1.3])
def test_the_same_pits_at_half_size(sharp_file, smallest_mm):
    """Of pits from 12.5 and 16 px on at most 2 in 100 are new and 3 in 100 lost; 9 in 10 sizes within 3 %, places 1 px.

    Measured: none new and none lost of 240 and of 217; nine sizes in ten within 1.4 %, nine places in ten within
    0.42 px of the photo, half within 0.13 px (asserted: 0.3). The bounds leave room for another decoder's rounding.
    """
    whole, half = inspect_both(sharp_file, Given(mm_per_px=MM_PER_PX, lamp=SAID), smallest_mm)
    assert (half.face.shrink, half.face.rgb.shape) == (2, (1280, 1680, 3))
    tree = cKDTree(whole.pits[["x_mm", "y_mm"]])
    gap_mm, partner = tree.query(half.pits[["x_mm", "y_mm"]])
    same = gap_mm < half.pits.diameter_mm.to_numpy() / 4
    # At the smallest size itself a pit may fall to either side of the line.
    clear = half.pits.diameter_mm.to_numpy() > 1.03 * smallest_mm
    assert np.mean(same[clear]) >= 0.98
    n_clear = np.count_nonzero(whole.pits.diameter_mm > 1.03 * smallest_mm)
    n_again = len(set(partner[same & clear]))
    assert n_again >= 0.97 * n_clear and n_clear > 100
    pits, known = half.pits[same], whole.pits.iloc[partner[same]]
    ratio = pits.diameter_mm.to_numpy() / known.diameter_mm.to_numpy()
    assert np.median(ratio) == pytest.approx(1.0, abs=0.01)
    assert np.quantile(np.abs(ratio - 1), 0.9) < 0.03
    shift_px = (pits[["x_mm", "y_mm"]].to_numpy() - known[["x_mm", "y_mm"]].to_numpy()) / MM_PER_PX
    assert np.abs(np.mean(shift_px, axis=0)).max() < 0.1
    # Of several looks at one pit another may be the best: that moves a few by a pixel or two.
    assert np.median(np.hypot(*shift_px.T)) < 0.3
    assert np.quantile(np.hypot(*shift_px.T), 0.9) < 1.0
    depth = pits.depth_mm.to_numpy() / known.depth_mm.to_numpy()
    assert np.nanmedian(depth) == pytest.approx(1.0, abs=0.03)


def test_the_record_tells_the_size_and_stays_in_photo_pixels(sharp_file):
    """Shape, scale and pixel figures are the photo's own; a note says at what size it was read."""
    whole, half = inspect_both(sharp_file, Given(mm_per_px=MM_PER_PX, lamp=SAID), 1.2)
    (taken,), (first,) = whole.photos, half.photos
    assert (1, 2) == (taken["read_shrink"], first["read_shrink"])
    assert (taken["rows_px"], taken["cols_px"]) == (first["rows_px"], first["cols_px"])
    assert whole.scale.mm_per_px == half.scale.mm_per_px == MM_PER_PX
    np.testing.assert_array_equal(whole.scale.to_slab, half.scale.to_slab)
    assert half.face.size_mm == pytest.approx(whole.face.size_mm)
    assert any("Read at half its size (1680 x 1280 pixels)" in note for note in half.warnings)
    assert not any("Read at" in note for note in whole.warnings)
    one, other = whole.quality, half.quality
    assert one.verdict == other.verdict == "good"
    assert other.checks["px_across_smallest"] == pytest.approx(15.0)
    # Blur below a pixel of what was read cannot be told any more.
    assert other.blur_sigma_px == pytest.approx(one.blur_sigma_px, abs=1.0)
    assert other.smallest_countable_mm < 1.2


def test_one_length_in_photo_pixels(sharp_file):
    """Two ends typed in photo pixels give the same scale, with the same doubt, whatever size is read."""
    given = Given(length_px=((100, 50), (3100, 50)), length_mm=240.0, lamp=SAID)
    whole, half = (
        open_photo(sharp_file, given, settings_for(1.0, enough_px), settle_scale)
        for enough_px in (10000.0, 6.0)
    )
    assert (1, 2) == (whole[0].shrink, half[0].shrink)
    assert whole[1].mm_per_px == half[1].mm_per_px == pytest.approx(MM_PER_PX)
    assert whole[1].mm_per_px_sd == half[1].mm_per_px_sd


def test_how_small_a_photo_may_be_read():
    """Half from twelve pixels across the smallest pit, a quarter from 24, if the map stays 1500 px wide."""
    cases = [
        ((6000, 8000), 1.0, 1 / 12, 2), ((6000, 8000), 1.0, 1 / 11.9, 1), ((6000, 8000), 1.0, 1 / 24, 4),
        ((3000, 4000), 1.0, 1 / 24, 2), ((2000, 2900), 1.0, 1 / 24, 1), ((6000, 8000), 2.0, 1 / 12, 4),
    ]  # fmt: skip
    for shape_px, smallest_mm, mm_per_px, shrink in cases:
        assert shrink == pick_shrink(shape_px, smallest_mm, mm_per_px, 6.0)


def test_scale_guessed_before_reading():
    """What was typed gives the coarsest pixel; a card or marks leave it to a face of half a metre."""
    shape_px = (3000, 4000)
    corners = ((0, 0), (2000, 0), (1000, 1000), (0, 1000))
    assert 0.1 == guess_mm_per_px(Given(mm_per_px=0.1), shape_px)
    assert 0.05 == guess_mm_per_px(Given(length_px=((0, 0), (300, 400)), length_mm=25.0), shape_px)
    assert 0.4 == guess_mm_per_px(Given(corners_px=corners, slab_mm=(400.0, 300.0)), shape_px)
    assert 0.2 == guess_mm_per_px(Given(slab_mm=(800.0, 600.0)), shape_px)
    assert 0.125 == guess_mm_per_px(Given(), shape_px)
    for nonsense in (
        {"mm_per_px": 0.0}, {"length_px": ((1, 2),), "length_mm": 3.0}, {"corners_px": 3, "slab_mm": (1, 2)},
        {"length_px": ((1, 2), (1, 2)), "length_mm": math.nan}, {"slab_mm": ("a", "b")},
    ):  # fmt: skip
        assert math.inf == guess_mm_per_px(Given(**nonsense), shape_px)


def test_a_card_seen_in_passing_is_used(card_photo):
    """With a typed scale the card is still found where it lies, and its absence is known from a quarter of the size."""
    given = Given(mm_per_px=0.1)
    for path, is_there in card_photo.items():
        seen = look_ahead(path, given, Settings())
        assert seen == (None if is_there else ())
        assert (open_photo(path, given, Settings(), settle_scale)[2] is not None) == is_there
    one_thread = change_settings(Settings(), find={"threads": 1})
    assert look_ahead(path, given, one_thread) is None
    assert (
        look_ahead(path, Given(mm_per_px=0.4), Settings()) is None
    )  # its squares would be too small


def test_a_wrong_guess_is_read_again(sharp_file):
    """A scale that turns out coarser, or is not found at all in the small photo, has it read in full."""
    read = []

    def settle(photo: Photo, given, seen=None):
        read.append(photo.shrink)
        return scale_from_mm_per_px(photo.shape_px, 0.2), None

    def refuse(photo: Photo, given, seen=None):
        if photo.shrink > 1:
            raise ScaleError("Too small.")
        return settle(photo, given)

    for way in (settle, refuse):
        photo, scale, _ = open_photo(sharp_file, Given(), settings_for(2.0), way)
        assert (photo.shrink, photo.rgb.shape, scale.mm_per_px) == (1, (2560, 3360, 3), 0.2)
    assert [2, 1, 1] == read
