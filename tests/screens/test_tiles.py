"""Pictures in many sizes: nothing lost, nothing shifted."""

import math

import cv2
import numpy as np
import pytest

from rakelight.screens import tiles


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    """A picture of three tiles by two, with a mark at a known place."""
    rgb = np.full((700, 1300, 3), 90, np.uint8)
    rgb[::, :, 0] = np.linspace(0, 255, 1300).astype(np.uint8)
    rgb[600:612, 1100:1112] = (255, 255, 255)
    return rgb


@pytest.fixture(scope="module")
def folder(picture, tmp_path_factory):
    """Its pyramid."""
    folder = tmp_path_factory.mktemp("tiles") / "face"
    tiles.cut_tiles(picture, folder)
    return folder


def test_top_level_is_the_whole_picture(picture, folder):
    """The tiles of the top level side by side are the picture, but for what JPEG takes (8 of 255)."""
    info = tiles.read_info(folder)
    shown = np.zeros_like(picture)
    for path in (folder / str(info["top"])).glob("*.jpg"):
        col, row = (int(part) for part in path.stem.split("_"))
        tile = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
        top, left = row * tiles.TILE_PX, col * tiles.TILE_PX
        shown[top : top + tile.shape[0], left : left + tile.shape[1]] = tile
    assert np.median(np.abs(shown.astype(int) - picture)) <= 1
    assert np.percentile(np.abs(shown.astype(int) - picture), 99) <= 8


def test_levels_are_numbered_as_viewers_count(picture, folder):
    """Level n is the picture shrunk by 2 to the power of top minus n, sides rounded up."""
    info = tiles.read_info(folder)
    assert math.ceil(math.log2(1300)) == info["top"]
    lowest = cv2.imread(str(folder / str(info["low"]) / "0_0.jpg"))
    shrink = 2 ** (info["top"] - info["low"])
    assert (math.ceil(700 / shrink), math.ceil(1300 / shrink)) == lowest.shape[:2]
    assert max(lowest.shape) <= tiles.TILE_PX


def test_crop_is_centred(folder):
    """A crop around the mark has it in its middle, over the border of two tiles."""
    crop = tiles.read_crop(folder, (1105.5, 605.5), 20)
    rows, cols = np.nonzero(crop.min(axis=2) > 200)
    assert abs(rows.mean() - 19.5) <= 1
    assert abs(cols.mean() - 19.5) <= 1


def test_crop_beyond_the_picture_is_grey(folder):
    """Around a corner, three quarters of the crop are no picture."""
    crop = tiles.read_crop(folder, (0, 0), 30)
    assert (128, 128, 128) == tuple(crop[0, 0])
    assert 0.7 < np.mean(np.all(crop == 128, axis=2)) < 0.8


def test_a_second_cut_takes_the_place_of_the_first(tmp_path):
    """A picture cut again leaves nothing of the older, larger one."""
    tiles.cut_tiles(np.zeros((1200, 600, 3), np.uint8), tmp_path / "face")
    tiles.cut_tiles(np.zeros((300, 300, 3), np.uint8), tmp_path / "face")
    assert 2 == len([p for p in (tmp_path / "face").rglob("*") if p.is_file()])


def test_slider_lays_the_later_photo_over_the_earlier(look, home):
    """A face held against itself gives two equal pictures."""
    from rakelight.compare.change import compare_surveys
    from rakelight.log.store import load_inspection
    from rakelight.screens import frame

    face = load_inspection(frame.open_shelf(), look)
    tiles.write_slider(face, face, compare_surveys(face, face), home)
    first, second = (
        cv2.imread(str(home / name)).astype(int) for name in ("before.jpg", "after.jpg")
    )
    inner = np.s_[20:-20, 20:-20]
    assert first.shape == second.shape
    # Resampled in two ways: a shift of one pixel would give several grey levels on this grain.
    assert np.mean(np.abs(first[inner] - second[inner])) < 3
