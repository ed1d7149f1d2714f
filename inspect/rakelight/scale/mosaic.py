"""Several placed photos drawn into one map of the face: at every place the best view.

The map is written photo by photo and block by block, so that one photo and a few blocks are in
memory at a time; the map itself may lie on disk.
"""

import mmap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..core.records import FaceMap, Photo, Scale
from .plane import find_in_photo, measure_local_scale, place_on_slab, straighten_points
from .rectify import iterate_blocks, limit_threads, warp_block

CELL_PX = 16  # the choice of view and the evening of light are made on cells of this many map px
BLOCK_PX = 1024  # a multiple of CELL_PX
SMOOTH_CELLS = 12.0  # light is evened over this many cells
GAIN_MAX = 4.0


@dataclass(frozen=True, slots=True)
class View:
    """One photo on the grid of cells: the window it covers, its worth and its tone there."""

    rows: slice
    cols: slice
    worth: np.ndarray
    tone: np.ndarray


def draw_mosaic(
    photos: Sequence[Photo],
    scales: Sequence[Scale | None],
    map_px: tuple[int, int],
    *,
    out: tuple[np.ndarray, np.ndarray] | None = None,
    threads: int = 2,
    tell: Callable[[str, int, int], None] | None = None,
) -> tuple[FaceMap, np.ndarray]:
    """Return the map of the face from several placed photos, and which photo each cell shows.

    Parameters
    ----------
    photos : sequence of Photo
        Read one at a time, twice; a lazy sequence keeps memory low.
    scales : per photo its place, all with one `mm_per_px`; None leaves a photo out.
    map_px : (rows, cols) of the map.
    out : uint8 (rows, cols, 3) and bool (rows, cols), both zero, to draw into (they may lie on
        disk); made when None.
    threads : for the pixel work.
    tell : called with (step, done, total).

    Returns
    -------
    FaceMap, and int16 (cell rows, cell cols) with the number of the photo shown, -1 for none.

    Errors of the answer: where two views meet, a band of 16 map pixels mixes both. The tone is
    evened over places more than about 40 mm apart, so slow changes of tone across the face are
    those of the best-exposed overlap, not a measurement of colour.
    """
    tell = tell or (lambda step, done, total: None)
    with limit_threads(threads):
        views = []
        for k, scale in enumerate(scales):
            views.append(None if scale is None else _look(photos[k], scale, map_px))
            tell("views", k + 1, len(scales))
        best = _choose_views(views, map_px)
        gains = _even_light(views, map_px)
        corners = [None if view is None else (view.rows.start, view.cols.start) for view in views]
        del views
        rgb, seen = out or (np.zeros((*map_px, 3), np.uint8), np.zeros(map_px, bool))
        for k, scale in enumerate(scales):
            if scale is not None and (best == k).any():
                _draw_photo(photos[k].rgb, scale, (best, k), (corners[k], gains[k]), (rgb, seen))
                let_go(rgb, seen)
            tell("map", k + 1, len(scales))
    return FaceMap(rgb, seen, next(s.mm_per_px for s in scales if s is not None)), best


def _count_cells(map_px: tuple[int, int]) -> tuple[int, int]:
    return map_px[0] // CELL_PX + 2, map_px[1] // CELL_PX + 2


def _place_cells(rows: slice, cols: slice, mm_per_px: float) -> np.ndarray:
    """Return slab mm (n, 2) of cell nodes; node (0, 0) is the map's corner."""
    size_mm = CELL_PX * mm_per_px
    y_mm, x_mm = (
        np.arange(rows.start, rows.stop) * size_mm,
        np.arange(cols.start, cols.stop) * size_mm,
    )
    return np.stack(np.meshgrid(x_mm, y_mm), axis=-1).reshape(-1, 2)


def _look(photo: Photo, scale: Scale, map_px: tuple[int, int]) -> View:
    """Return what one photo offers on the grid of cells."""
    import cv2

    rows, cols = _find_window(photo.shape_px, scale, map_px)
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    at = find_in_photo(scale, _place_cells(rows, cols, scale.mm_per_px))
    size = np.array(photo.shape_px[::-1], float)
    margin = np.minimum(at, size - 1 - at) / size.max()
    # Places near the middle of a photo are sharper and better lit than those near its border.
    room = np.sqrt(np.clip(margin.min(axis=1), 0, 1))
    _, coarsest = measure_local_scale(scale.to_slab, straighten_points(scale.lens, at))
    # Nodes whose neighbours run out of the photo are left out: the mix there needs both.
    covered = cv2.erode((margin.min(axis=1) > 0).reshape(shape).astype(np.uint8), np.ones((3, 3)))
    worth = np.where(covered > 0, (room / coarsest).reshape(shape), 0).astype(np.float32)
    shrink = max(1.0, CELL_PX * scale.mm_per_px / float(np.median(coarsest)))
    small = cv2.resize(photo.rgb, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    small_at = ((at + 0.5) / shrink - 0.5).astype(np.float32).reshape(*shape, 2)
    tone = cv2.remap(
        small, small_at[..., 0], small_at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return View(rows, cols, worth, tone.astype(np.float32) + 1)


def _find_window(
    photo_px: tuple[int, int], scale: Scale, map_px: tuple[int, int]
) -> tuple[slice, slice]:
    rows, cols = photo_px
    edge = np.linspace(0, 1, 9)[:, None]
    sides = [(0, 0), (cols - 1, 0), (cols - 1, rows - 1), (0, rows - 1), (0, 0)]
    border = np.vstack([np.array(a) * (1 - edge) + np.array(b) * edge for a, b in pairwise(sides)])
    at = place_on_slab(scale, border) / (CELL_PX * scale.mm_per_px)
    low = np.floor(at.min(axis=0)).astype(int)
    high = np.ceil(at.max(axis=0)).astype(int) + 1
    n_rows, n_cols = _count_cells(map_px)
    return (
        slice(int(np.clip(low[1], 0, n_rows)), int(np.clip(high[1], 0, n_rows))),
        slice(int(np.clip(low[0], 0, n_cols)), int(np.clip(high[0], 0, n_cols))),
    )


def _choose_views(views: Sequence[View | None], map_px: tuple[int, int]) -> np.ndarray:
    """Return per cell node the number of the photo of greatest worth, -1 where none is."""
    best = np.full(_count_cells(map_px), -1, np.int16)
    worth = np.zeros(best.shape, np.float32)
    for k, view in enumerate(views):
        if view is not None:
            window = (view.rows, view.cols)
            better = view.worth > worth[window]
            worth[window] = np.where(better, view.worth, worth[window])
            best[window] = np.where(better, k, best[window])
    return best


def _even_light(views: Sequence[View | None], map_px: tuple[int, int]) -> list[np.ndarray | None]:
    """Return per photo the factor (cells, 3) that makes its slow tone that of its neighbours."""
    import cv2

    levels = _fit_levels(views, map_px)
    total = np.zeros((*_count_cells(map_px), 3), np.float32)
    weight = np.zeros(total.shape[:2], np.float32)
    for view, level in zip(views, levels, strict=True):
        if view is not None:
            share = view.worth**2
            total[view.rows, view.cols] += share[..., None] * np.log(view.tone * level)
            weight[view.rows, view.cols] += share
    total /= np.maximum(weight, 1e-12)[..., None]
    gains: list[np.ndarray | None] = []
    for view, level in zip(views, levels, strict=True):
        if view is None:
            gains.append(None)
            continue
        share = (view.worth > 0).astype(np.float32)
        gap = (total[view.rows, view.cols] - np.log(view.tone * level)) * share[..., None]
        smooth = cv2.GaussianBlur(gap, (0, 0), SMOOTH_CELLS)
        smooth /= np.maximum(cv2.GaussianBlur(share, (0, 0), SMOOTH_CELLS), 1e-3)[..., None]
        gains.append(np.clip(level * np.exp(smooth), 1 / GAIN_MAX, GAIN_MAX).astype(np.float32))
    return gains


def _fit_levels(views: Sequence[View | None], map_px: tuple[int, int]) -> list[np.ndarray]:
    """Return one factor (3,) per photo so that tones agree in the overlaps, on average 1."""
    used = [k for k, view in enumerate(views) if view is not None]
    n = len(used)
    grip, pull = np.zeros((n, n)), np.zeros((n, 3))
    for i, a in enumerate(used):
        for j in range(i + 1, n):
            gap = _compare_tones(views[a], views[used[j]])
            if gap is None:
                continue
            grip[[i, j], [i, j]] += 1
            grip[[i, j], [j, i]] -= 1
            pull[i] -= gap
            pull[j] += gap
    grip += 0.01 * np.eye(n)
    logs = np.linalg.solve(grip, pull)
    levels = [np.ones(3, np.float32) for _ in views]
    for i, a in enumerate(used):
        levels[a] = np.exp(logs[i]).astype(np.float32)
    return levels


def _compare_tones(one: View, other: View) -> np.ndarray | None:
    """Return the median log ratio (3,) of the tones of two views in their overlap."""
    low_row, high_row = max(one.rows.start, other.rows.start), min(one.rows.stop, other.rows.stop)
    low_col, high_col = max(one.cols.start, other.cols.start), min(one.cols.stop, other.cols.stop)
    if high_row - low_row < 3 or high_col - low_col < 3:
        return None

    def cut(view: View, array: np.ndarray) -> np.ndarray:
        rows = slice(low_row - view.rows.start, high_row - view.rows.start)
        return array[rows, low_col - view.cols.start : high_col - view.cols.start]

    both = (cut(one, one.worth) > 0) & (cut(other, other.worth) > 0)
    if np.count_nonzero(both) < 12:
        return None
    gap = np.log(cut(one, one.tone)[both]) - np.log(cut(other, other.tone)[both])
    return np.median(gap, axis=0)


def _draw_photo(rgb, scale, best_and_number, corner_and_gain, out) -> None:
    """Add one photo to the map, weighted by where it is the best view."""
    (first_row, first_col), gain = corner_and_gain
    best, number = best_and_number
    rgb_map, seen_map = out
    top, left = first_row * CELL_PX, first_col * CELL_PX
    for block in iterate_blocks(seen_map.shape, BLOCK_PX):
        cells = tuple(slice(s.start // CELL_PX, -(-s.stop // CELL_PX) + 1) for s in block)
        window = best[cells] == number
        if not window.any():
            continue
        # Only the part of the block near this photo's cells is worth warping.
        hit_rows, hit_cols = np.flatnonzero(window.any(axis=1)), np.flatnonzero(window.any(axis=0))
        rows = _clip_part(block[0], cells[0].start + hit_rows[0], cells[0].start + hit_rows[-1])
        cols = _clip_part(block[1], cells[1].start + hit_cols[0], cells[1].start + hit_cols[-1])
        shape = (rows.stop - rows.start, cols.stop - cols.start)
        part, covered = np.empty((*shape, 3), np.uint8), np.empty(shape, bool)
        warp_block(rgb, scale, (rows, cols), rgb_out=part, seen_out=covered)
        weight = _enlarge((best == number).astype(np.float32), (rows, cols), (0, 0))
        # Beside cells that no photo shows the mix is not whole; such places are not seen.
        covered &= _enlarge((best >= 0).astype(np.float32), (rows, cols), (0, 0)) > 0.999
        weight[~covered] = 0
        factor = _enlarge(gain, (rows, cols), (top, left)) * weight[..., None]
        np.multiply(factor, part, out=factor)
        drawn = np.clip(factor + 0.5, 0, 255).astype(np.uint8)
        rgb_map[rows, cols] = np.where(
            rgb_map[rows, cols] > 255 - drawn, 255, rgb_map[rows, cols] + drawn
        )
        seen_map[rows, cols] |= weight > 0.3


def let_go(*arrays: np.ndarray) -> None:
    """Hand the pages of a map on disk back to the system; the file keeps what was drawn."""
    for array in arrays:
        pages = getattr(array, "_mmap", None)
        if pages is not None and hasattr(mmap, "MADV_DONTNEED"):
            pages.flush()
            pages.madvise(mmap.MADV_DONTNEED)


def _clip_part(block: slice, first: int, last: int) -> slice:
    return slice(max(block.start, (first - 1) * CELL_PX), min(block.stop, (last + 1) * CELL_PX + 1))


def _enlarge(
    nodes: np.ndarray, part: tuple[slice, slice], origin_px: tuple[int, int]
) -> np.ndarray:
    """Return node values interpolated to map pixels; node k lies at pixel k * CELL_PX - 0.5."""
    import cv2

    low = [
        int(np.clip((s.start - o) // CELL_PX - 1, 0, n - 1))
        for s, o, n in zip(part, origin_px, nodes.shape, strict=False)
    ]
    high = [
        int(np.clip(-(-(s.stop - o) // CELL_PX) + 2, 1, n))
        for s, o, n in zip(part, origin_px, nodes.shape, strict=False)
    ]
    cut = np.pad(
        nodes[low[0] : high[0], low[1] : high[1]],
        [(1, 1), (1, 1)] + [(0, 0)] * (nodes.ndim - 2),
        mode="edge",
    )
    size = (cut.shape[1] * CELL_PX, cut.shape[0] * CELL_PX)
    large = cv2.resize(cut, size, interpolation=cv2.INTER_LINEAR)
    # In `large` node k of `cut` has its middle at pixel (k + 0.5) * CELL_PX - 0.5.
    starts = [
        s.start - o - (lo - 1) * CELL_PX + CELL_PX // 2
        for s, o, lo in zip(part, origin_px, low, strict=True)
    ]
    stops = [a + s.stop - s.start for a, s in zip(starts, part, strict=True)]
    return large[starts[0] : stops[0], starts[1] : stops[1]]
