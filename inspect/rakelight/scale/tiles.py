"""The map cut into a folder of small tiles at every zoom, so that a screen shows only what it needs.

Deep-zoom layout: `NAME.dzi` beside `NAME_files/LEVEL/COL_ROW.jpg`; level 0 is one pixel, each level
is twice as large as the one before, the last is the map itself.
"""

import math
from pathlib import Path

import numpy as np

from ..core.checks import say_write_trouble
from ..core.errors import OutputError
from ..core.records import FaceMap

TILE_PX = 512
JPEG_QUALITY = 88
_DESCRIPTION = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Image xmlns="http://schemas.microsoft.com/deepzoom/2008" Format="jpg" Overlap="0"'
    ' TileSize="{tile}"><Size Width="{width}" Height="{height}"/></Image>\n'
)


def cut_deep_zoom(
    face: FaceMap, folder: str | Path, *, name: str = "map", tile_px: int = TILE_PX
) -> Path:
    """Return the path of the written `NAME.dzi`; its tiles lie in `NAME_files` beside it.

    Parameters
    ----------
    face : FaceMap
        The map; it is read in strips of `tile_px` rows and may lie on disk.
    folder : str or Path
        Folder to write into; made when missing.
    name : str
        Name of the map in that folder.
    tile_px : int
        Side of a tile. 512: few enough files, small enough to load at once (our choice).

    Errors of the answer: JPEG at quality 88; for looking, never for measuring.
    """
    folder = Path(folder)
    rows, cols = face.rgb.shape[:2]
    n_levels = math.ceil(math.log2(max(rows, cols, 1))) + 1
    try:
        levels = [_Level(folder / f"{name}_files" / str(k), tile_px) for k in range(n_levels)]
        for top in range(0, rows, tile_px):
            _pass_down(
                levels, np.asarray(face.rgb[top : top + tile_px]), is_last=top + tile_px >= rows
            )
        description = folder / f"{name}.dzi"
        description.write_text(
            _DESCRIPTION.format(tile=tile_px, width=cols, height=rows), encoding="utf-8"
        )
    except OSError as trouble:
        raise OutputError(say_write_trouble(trouble, folder)) from None
    return description


class _Level:
    """One zoom level being written: waits for a whole row of tiles, writes it, hands on half."""

    def __init__(self, folder: Path, tile_px: int):
        self.folder, self.tile_px = folder, tile_px
        self.waiting: list[np.ndarray] = []
        self.n_tile_rows = 0
        folder.mkdir(parents=True, exist_ok=True)

    def write_row(self, strip: np.ndarray) -> None:
        """Write one row of tiles."""
        import cv2

        for col, left in enumerate(range(0, strip.shape[1], self.tile_px)):
            tile = cv2.cvtColor(strip[:, left : left + self.tile_px], cv2.COLOR_RGB2BGR)
            done, data = cv2.imencode(".jpg", tile, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
            if not done:
                raise OutputError("A tile of the map could not be packed as JPEG.")
            (self.folder / f"{col}_{self.n_tile_rows}.jpg").write_bytes(data.tobytes())
        self.n_tile_rows += 1

    def take(self, strip: np.ndarray, *, is_last: bool) -> np.ndarray | None:
        """Return a whole row of tiles once there is one, else None."""
        self.waiting.append(strip)
        whole = np.concatenate(self.waiting) if len(self.waiting) > 1 else strip
        if len(whole) < self.tile_px and not is_last:
            return None
        self.waiting = []
        return whole


def _pass_down(levels: list[_Level], strip: np.ndarray, *, is_last: bool) -> None:
    """Write a strip into the finest level and its halves into all coarser ones."""
    for k in range(len(levels) - 1, -1, -1):
        whole = levels[k].take(strip, is_last=is_last)
        if whole is None:
            return
        levels[k].write_row(whole)
        strip = _halve(whole)


def _halve(strip: np.ndarray) -> np.ndarray:
    """Return a strip at half the size, rounded up; the odd last row or column is kept."""
    import cv2

    rows, cols = strip.shape[:2]
    even = np.pad(strip, ((0, rows % 2), (0, cols % 2), (0, 0)), mode="edge")
    size = ((cols + 1) // 2, (rows + 1) // 2)
    return cv2.resize(even, size, interpolation=cv2.INTER_AREA)
