"""What is counted where photos of one face overlap."""

import numpy as np
import pytest

from rakelight.core.records import Photo
from rakelight.scale.corners import scale_from_corners
from rakelight.scale.mosaic import CELL_PX
from rakelight.scale.rectify import rectify_photo
from rakelight.scale.seams import Finds, choose_at_seams, cut_part

MM_PER_PX = 0.5
CELL_MM = CELL_PX * MM_PER_PX


def make_halves(n_rows=12, n_cols=40):
    """Return the cells of a face whose left half is shown by photo 0, its right half by photo 1."""
    shown = np.zeros((n_rows, n_cols), np.int16)
    shown[:, n_cols // 2 :] = 1
    return shown, (n_cols / 2 - 0.5) * CELL_MM  # the seam lies between two nodes


def find(*rows):
    """Return finds from rows of x, y, diameter."""
    table = np.array(rows, float).reshape(-1, 3)
    return Finds(table[:, :2], table[:, 2])


def test_both_photos_find_a_pit_at_the_seam():
    """A pit on the seam, found by both photos on either side of it, counts once."""
    shown, seam_mm = make_halves()
    for shift in (-0.4, 0.4):
        # The one place each photo gives lies on the other's part when shift is positive.
        finds = [find((seam_mm + shift, 30, 2)), find((seam_mm - shift, 30.2, 2))]
        keep = choose_at_seams(finds, shown, MM_PER_PX)
        assert 1 == sum(int(k.sum()) for k in keep)


def test_a_photo_decides_on_its_own_part_only():
    """Alone on its own part a find counts; alone on its neighbour's it does not."""
    shown, seam_mm = make_halves()
    finds = [find((seam_mm - 20, 30, 2), (seam_mm + 20, 30, 2)), find((seam_mm - 20, 60, 2))]
    keep = choose_at_seams(finds, shown, MM_PER_PX)
    assert [True, False] == keep[0].tolist()
    assert [False] == keep[1].tolist()


def test_the_better_view_gives_the_size():
    """Of a void that one photo sees whole and the other as two pieces, the deeper view's answer stays."""
    shown, seam_mm = make_halves()
    whole = find((seam_mm - 6, 40, 20))
    pieces = find((seam_mm - 9, 40, 8), (seam_mm - 1, 40, 8))
    keep = choose_at_seams([whole, pieces], shown, MM_PER_PX)
    assert [True] == keep[0].tolist()
    assert [False, False] == keep[1].tolist()


def test_neighbours_of_one_photo_stay_two():
    """Two pits close together in one photo are never made one."""
    shown, seam_mm = make_halves()
    keep = choose_at_seams(
        [find((seam_mm - 20, 30, 3), (seam_mm - 19, 30, 3)), find()], shown, MM_PER_PX
    )
    assert [True, True] == keep[0].tolist()


def test_nothing_counts_where_no_photo_shows_the_face():
    """A find where the map shows no photo is left out, and no finds at all are no trouble."""
    shown, seam_mm = make_halves()
    shown[:, 30:] = -1
    keep = choose_at_seams([find(), find((seam_mm + 120, 30, 2))], shown, MM_PER_PX)
    assert [False] == keep[1].tolist()
    assert [0, 0] == [len(k) for k in choose_at_seams([find(), find()], shown, MM_PER_PX)]


@pytest.mark.parametrize("seed", range(3))
def test_true_pits_are_neither_lost_nor_doubled(seed):
    """Of 2000 pits seen twice with 0.1 mm scatter fewer than 1 in 200 is lost or counted twice."""
    rng = np.random.default_rng(seed)
    shown, _ = make_halves(60, 60)
    places = rng.uniform(10, 59 * CELL_MM - 10, (2000, 2))
    sizes = rng.uniform(1, 4, 2000)
    finds = [Finds(places + rng.normal(0, 0.1, places.shape), sizes) for _ in range(2)]
    keep = choose_at_seams(finds, shown, MM_PER_PX)
    # Pits nearer than a millimetre or their half diameter cannot be told apart across a seam.
    assert np.sum(keep[0] & keep[1]) + np.sum(~keep[0] & ~keep[1]) < 10


def test_part_is_cut_from_the_same_map():
    """The part of a photo is the same piece, pixel for pixel, of the map of the whole photo."""
    rng = np.random.default_rng(0)
    photo = Photo(rng.integers(0, 255, (300, 400, 3)).astype(np.uint8), "a.jpg", "0" * 64)
    scale = scale_from_corners([(5, 3), (396, 1), (390, 290), (2, 297)], (200.0, 150.0), (300, 400))
    whole = rectify_photo(photo, scale)
    cells = tuple(n // CELL_PX + 2 for n in whole.seen.shape)
    shown = np.zeros(cells, np.int16)
    shown[:, cells[1] - 3 :] = 1
    part = cut_part(photo, scale, shown, 1)
    left = round(part.start_mm[0] / scale.mm_per_px)
    assert 0 < left < whole.seen.shape[1]
    cols = slice(left, left + part.face.seen.shape[1])
    np.testing.assert_array_equal(whole.seen[:, cols], part.face.seen)
    # Rounding inside the warp may differ by one level where blocks start elsewhere.
    gap = np.abs(whole.rgb[:, cols].astype(int) - part.face.rgb.astype(int))
    assert gap.max() <= 1
    assert cut_part(photo, scale, shown, 5) is None
