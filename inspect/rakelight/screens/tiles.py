"""Pictures in many sizes, so that a phone can look at a 400 megapixel face without waiting.

A pyramid is a folder: `<level>/<col>_<row>.jpg` and `info.json`. The lowest level is one tile;
each next one is twice as large; the last, `top`, is the whole picture. Levels are numbered as if
they began at one pixel, which is how viewers count.
"""

import math
import shutil
from pathlib import Path

import cv2
import numpy as np

from rakelight.core.records import Comparison, Inspection
from rakelight.report.wipe import lay_over

from . import desk

TILE_PX = 512
QUALITY = 88
SLIDER_PX = 1600


def cut_tiles(rgb: np.ndarray, folder: Path) -> dict:
    """Return what was cut: a picture as tiles of every size in a folder, moved into place whole."""
    passing = folder.with_name(f".{folder.name}.part")
    shutil.rmtree(passing, ignore_errors=True)
    rows, cols = rgb.shape[:2]
    level = top = math.ceil(math.log2(max(rows, cols, 2)))
    picture = rgb
    _cut_level(picture, passing / str(level))
    while max(picture.shape[:2]) > TILE_PX:
        half = (math.ceil(picture.shape[1] / 2), math.ceil(picture.shape[0] / 2))
        picture = cv2.resize(picture, half, interpolation=cv2.INTER_AREA)
        level -= 1
        _cut_level(picture, passing / str(level))
    info = {"cols_px": cols, "rows_px": rows, "tile_px": TILE_PX, "top": top, "low": level}
    desk.write_plain(passing / "info.json", info)
    shutil.rmtree(folder, ignore_errors=True)
    passing.rename(folder)
    return info


def _cut_level(picture: np.ndarray, folder: Path) -> None:
    folder.mkdir(parents=True)
    rows, cols = picture.shape[:2]
    for row in range(math.ceil(rows / TILE_PX)):
        for col in range(math.ceil(cols / TILE_PX)):
            top, left = row * TILE_PX, col * TILE_PX
            tile = picture[top : top + TILE_PX, left : left + TILE_PX]
            _write_jpeg(tile, folder / f"{col}_{row}.jpg")


def _write_jpeg(rgb: np.ndarray, path: Path, quality: int = QUALITY) -> None:
    _, content = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    path.write_bytes(content.tobytes())


def read_info(folder: Path) -> dict:
    """Return the size of a pyramid; empty when it was never cut."""
    return desk.read_plain(folder / "info.json")


def read_crop(folder: Path, centre_px: tuple[float, float], half_px: int) -> np.ndarray:
    """Return a square of the whole picture around a place, grey where the picture ends.

    Parameters
    ----------
    folder : the pyramid. centre_px : (col, row). half_px : half the side of the square.

    Returns
    -------
    uint8 (2 half_px, 2 half_px, 3), RGB.
    """
    info = read_info(folder)
    side = 2 * half_px
    crop = np.full((side, side, 3), 128, np.uint8)
    left, top = round(centre_px[0]) - half_px, round(centre_px[1]) - half_px
    level = folder / str(info["top"])
    for row in range(max(0, top) // TILE_PX, (top + side) // TILE_PX + 1):
        for col in range(max(0, left) // TILE_PX, (left + side) // TILE_PX + 1):
            _paste_tile(
                crop, level / f"{col}_{row}.jpg", (col * TILE_PX - left, row * TILE_PX - top)
            )
    return crop


def draw_crop(
    folder: Path, centre_px: tuple[float, float], radius_px: float, *, side_px: int = 520
) -> np.ndarray:
    """Return a pit with its surroundings, ringed, for looking at closely; uint8 RGB.

    Parameters
    ----------
    folder : the pyramid of the face. centre_px : (col, row). radius_px : of the pit's mouth.
    side_px : side of the picture.
    """
    half = int(np.clip(round(radius_px * 3.2), 24, 600))
    crop = read_crop(folder, centre_px, half)
    how = cv2.INTER_CUBIC if crop.shape[0] < side_px else cv2.INTER_AREA
    shown = cv2.resize(crop, (side_px, side_px), interpolation=how)
    radius = round(radius_px * side_px / (2 * half)) + 6
    middle = (side_px // 2, side_px // 2)
    cv2.circle(shown, middle, radius, (0, 0, 0), 5, cv2.LINE_AA)
    cv2.circle(shown, middle, radius, (255, 222, 66), 2, cv2.LINE_AA)
    return shown


def _paste_tile(crop: np.ndarray, path: Path, at: tuple[int, int]) -> None:
    if not path.is_file():
        return
    tile = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
    x0, y0 = max(0, at[0]), max(0, at[1])
    x1, y1 = min(crop.shape[1], at[0] + tile.shape[1]), min(crop.shape[0], at[1] + tile.shape[0])
    if x1 > x0 and y1 > y0:
        crop[y0:y1, x0:x1] = tile[y0 - at[1] : y1 - at[1], x0 - at[0] : x1 - at[0]]


def write_slider(before: Inspection, after: Inspection, change: Comparison, folder: Path) -> None:
    """Write two pictures of the same place and size, the later one laid over the earlier plan."""
    pair = lay_over(before, after, change, side_px=SLIDER_PX)
    for picture, name in zip(pair or (), ("before.jpg", "after.jpg"), strict=False):
        _write_jpeg(picture, folder / name)
