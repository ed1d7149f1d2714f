"""The map cut into deep-zoom tiles."""

import re

import cv2
import numpy as np
import pytest

from rakelight.core.errors import OutputError
from rakelight.core.records import FaceMap
from rakelight.scale.tiles import cut_deep_zoom


def make_face(rows, cols):
    """Return a smooth made-up map."""
    y, x = np.mgrid[:rows, :cols]
    grey = 60 + 80 * x / cols + 80 * y / rows
    rgb = np.repeat(grey[..., None], 3, axis=2)
    return FaceMap(rgb.astype(np.uint8), np.ones((rows, cols), bool), 0.2)


def join_level(folder, level):
    """Return one level put together from its tiles, RGB."""
    tiles = {}
    for path in (folder / "map_files" / str(level)).glob("*.jpg"):
        col, row = (int(n) for n in path.stem.split("_"))
        tiles[row, col] = cv2.imread(str(path))[:, :, ::-1]
    n_rows, n_cols = (max(key[k] for key in tiles) + 1 for k in (0, 1))
    return np.vstack([np.hstack([tiles[r, c] for c in range(n_cols)]) for r in range(n_rows)])


@pytest.mark.parametrize("shape", [(700, 1100), (64, 64), (1, 5), (129, 257), (65, 30)])
def test_every_level_is_the_map_made_smaller(tmp_path, shape):
    """The last level is the map, each level above has half its sides, rounded up, down to 1 px."""
    face = make_face(*shape)
    path = cut_deep_zoom(face, tmp_path, tile_px=64)
    size = re.search(r'Width="(\d+)" Height="(\d+)"', path.read_text()).groups()
    assert tuple(int(n) for n in size) == shape[::-1]
    levels = sorted(int(p.name) for p in (tmp_path / "map_files").iterdir())
    assert levels == list(range(len(levels)))
    whole = join_level(tmp_path, levels[-1])
    assert whole.shape == face.rgb.shape
    # JPEG moves grey levels of a smooth picture by a few.
    assert np.abs(whole.astype(int) - face.rgb).mean() < 3
    rows, cols = shape
    for level in levels[::-1][1:]:
        rows, cols = (rows + 1) // 2, (cols + 1) // 2
        small = join_level(tmp_path, level)
        assert small.shape[:2] == (rows, cols)
    assert (rows, cols) == (1, 1)


def test_half_level_keeps_the_tone(tmp_path):
    """A coarser level is the mean of the finer one, not every second pixel."""
    face = make_face(128, 256)
    cut_deep_zoom(face, tmp_path, tile_px=64)
    half = join_level(tmp_path, 7)
    expected = cv2.resize(face.rgb, (128, 64), interpolation=cv2.INTER_AREA)
    assert np.abs(half.astype(int) - expected).mean() < 3


def test_folder_that_cannot_be_written(tmp_path):
    """A file in the way of the folder is one sentence."""
    (tmp_path / "here").write_text("a file")
    with pytest.raises(OutputError, match="A part of"):
        cut_deep_zoom(make_face(10, 10), tmp_path / "here")
