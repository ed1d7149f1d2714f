"""Test windows over all positions of the face: how much open area, how many pits.

What is measured here: the open share of a window (0 to 1, lower is better) and the number
of pits in it. The worst, the median and the best window are looked for over *all* positions
on a fine step, never in one hand-picked square. Only what the photo shows counts: openings
and uncovered area are taken out of the window's area and never count as good face.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..core.records import FaceMap, Window
from ..core.settings import GradeSettings
from .discs import lay_discs, share_inside

WHOLE_FACE = (math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class SeenMap:
    """Seen area of the face in coarse cells, summed up from the top left for fast windows.

    summed_mm2 : float (rows + 1, cols + 1); nodes in mm along x and y.
    """

    summed_mm2: np.ndarray
    nodes_x_mm: np.ndarray
    nodes_y_mm: np.ndarray

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the face."""
        return float(self.nodes_x_mm[-1]), float(self.nodes_y_mm[-1])

    @property
    def total_mm2(self) -> float:
        """Whole seen area."""
        return float(self.summed_mm2[-1, -1])


@dataclass(frozen=True, slots=True)
class Positions:
    """All positions of one window on one face.

    size_mm : width and height used; left_mm, top_mm : positions along x and y; nodes_x_mm,
    nodes_y_mm : every left, right, top and bottom edge; seen_mm2 : (tops, lefts) seen area in
    each window; is_used : where enough of the window is seen; asked_mm : size asked for.
    """

    size_mm: tuple[float, float]
    left_mm: np.ndarray
    top_mm: np.ndarray
    nodes_x_mm: np.ndarray
    nodes_y_mm: np.ndarray
    seen_mm2: np.ndarray
    is_used: np.ndarray
    asked_mm: tuple[float, float]
    notes: tuple[str, ...] = ()

    @property
    def n_used(self) -> int:
        """Positions with enough seen face."""
        return int(np.count_nonzero(self.is_used))

    def window_mm(self, row: int, col: int) -> tuple[float, float, float, float]:
        """Return left, top, right and bottom of one position."""
        left, top = float(self.left_mm[col]), float(self.top_mm[row])
        return left, top, left + self.size_mm[0], top + self.size_mm[1]


def sum_seen(face: FaceMap, *, settings: GradeSettings | None = None) -> SeenMap:
    """Return the seen area of the face in coarse cells, mm2, ready for windows.

    Errors of the answer: none in whole cells; a window edge that cuts a cell at the rim of
    an opening is off by less than that cell (the search step squared, 4 mm2 by default).
    """
    settings = settings or GradeSettings()
    rows, cols = face.seen.shape
    step_mm = _search_step_mm(face.size_mm, settings)
    block_px = max(1, int(step_mm / face.mm_per_px))
    row_starts, col_starts = np.arange(0, rows, block_px), np.arange(0, cols, block_px)
    if face.seen.all():
        cells = np.outer(np.diff(row_starts, append=rows), np.diff(col_starts, append=cols))
    else:
        cells = np.empty((len(row_starts), len(col_starts)), np.int32)
        for k, top in enumerate(row_starts):  # a map of 400 megapixels may lie on disk
            by_col = face.seen[top : top + block_px].sum(axis=0, dtype=np.int32)
            cells[k] = np.add.reduceat(by_col, col_starts)
    cells = cells * face.mm_per_px**2
    summed_mm2 = np.zeros((len(row_starts) + 1, len(col_starts) + 1))
    np.cumsum(np.cumsum(cells, axis=0), axis=1, out=summed_mm2[1:, 1:])
    nodes_x_mm = np.append(col_starts, cols) * face.mm_per_px
    nodes_y_mm = np.append(row_starts, rows) * face.mm_per_px
    return SeenMap(summed_mm2, nodes_x_mm, nodes_y_mm)


def mask_seen(seen: SeenMap, is_kept: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> SeenMap:
    """Return the seen map with only the cells whose centres `is_kept(x_mm, y_mm)` keeps."""
    centre_x = (seen.nodes_x_mm[1:] + seen.nodes_x_mm[:-1]) / 2
    centre_y = (seen.nodes_y_mm[1:] + seen.nodes_y_mm[:-1]) / 2
    cells = np.diff(np.diff(seen.summed_mm2, axis=0), axis=1)
    kept = cells * is_kept(centre_x[None, :], centre_y[:, None])
    return SeenMap(_sum_up(kept), seen.nodes_x_mm, seen.nodes_y_mm)


def place_windows(
    seen: SeenMap,
    size_mm: tuple[float, float],
    *,
    settings: GradeSettings | None = None,
    every: int = 1,
) -> Positions:
    """Return all positions of a window on the face, with the seen area in each, mm2.

    Parameters
    ----------
    seen : SeenMap
    size_mm : (width, height), mm
        `WHOLE_FACE` gives the one window that is the face.
    every : int
        2 takes every second position each way, for a quick look; 1 takes all.

    Returns
    -------
    Positions
        A window that does not fit, or that is mostly unseen everywhere, has no used position.
    """
    settings = settings or GradeSettings()
    asked_mm = size_mm
    if size_mm == WHOLE_FACE:
        size_mm = seen.size_mm
    step_mm = _search_step_mm(seen.size_mm, settings)
    left_mm = _starts(seen.size_mm[0], size_mm[0], step_mm)[::every]
    top_mm = _starts(seen.size_mm[1], size_mm[1], step_mm)[::every]
    nodes_x_mm = _edges(left_mm, size_mm[0], seen.size_mm[0])
    nodes_y_mm = _edges(top_mm, size_mm[1], seen.size_mm[1])
    summed = _read_between(seen, nodes_x_mm, nodes_y_mm)
    bare = Positions(
        size_mm, left_mm, top_mm, nodes_x_mm, nodes_y_mm, np.empty(0), np.empty(0), asked_mm
    )
    seen_mm2 = _window_sums(bare, summed)
    share_min = 0.0 if asked_mm == WHOLE_FACE else settings.window_seen_min
    is_used = (seen_mm2 >= share_min * size_mm[0] * size_mm[1]) & (seen_mm2 > 0)
    return Positions(size_mm, left_mm, top_mm, nodes_x_mm, nodes_y_mm, seen_mm2, is_used, asked_mm)


def sum_open_area(
    positions: Positions,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    area_mm2: np.ndarray,
    *,
    weight: np.ndarray | None = None,
) -> np.ndarray:
    """Return the open area inside every window, mm2 (tops, lefts).

    A pit cut by a window's edge counts with the part inside. `weight` (0 to 1 per pit)
    scales each pit, e.g. what is left of it after a repair.

    Errors of the answer: exact for round mouths at the positions searched; between two
    positions the worst window can hold at most the pits that a shift of half the step
    takes in (tests: below 1 % of the value at the 2 mm step).
    """
    weight = np.ones(len(x_mm)) if weight is None else weight
    x_mm, y_mm = keep_inside(x_mm, y_mm, area_mm2, size_mm=_face_size(positions))
    cells = lay_discs(
        x_mm,
        y_mm,
        area_mm2,
        weight=weight,
        nodes_x_mm=positions.nodes_x_mm,
        nodes_y_mm=positions.nodes_y_mm,
    )
    return _window_sums(positions, _sum_up(cells))


def count_centres(
    positions: Positions, x_mm: np.ndarray, y_mm: np.ndarray, *, weight: np.ndarray | None = None
) -> np.ndarray:
    """Return the number of pit centres inside every window (tops, lefts).

    A centre on the left or top edge counts, one on the right or bottom edge does not.
    """
    cells = np.zeros((len(positions.nodes_y_mm) - 1, len(positions.nodes_x_mm) - 1))
    col = np.searchsorted(positions.nodes_x_mm, x_mm, side="right") - 1
    row = np.searchsorted(positions.nodes_y_mm, y_mm, side="right") - 1
    col, row = np.clip(col, 0, cells.shape[1] - 1), np.clip(row, 0, cells.shape[0] - 1)
    np.add.at(cells, (row, col), np.ones(len(x_mm)) if weight is None else weight)
    return _window_sums(positions, _sum_up(cells))


def share_in_windows(
    windows_mm: np.ndarray,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    area_mm2: np.ndarray,
    *,
    size_mm: tuple[float, float],
) -> np.ndarray:
    """Return which share of each pit lies in each window (windows x pits): the plain version."""
    x_mm, y_mm = keep_inside(x_mm, y_mm, area_mm2, size_mm=size_mm)
    return share_inside(x_mm, y_mm, np.sqrt(area_mm2 / np.pi), windows_mm=windows_mm)


def keep_inside(
    x_mm: np.ndarray, y_mm: np.ndarray, area_mm2: np.ndarray, *, size_mm: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Return pit centres moved so far in that no disc sticks out over the face's edge.

    The measured area lies on the face; only its stand-in, the disc, could stick out.
    """
    radius_mm = np.sqrt(area_mm2 / np.pi)
    return tuple(  # type: ignore[return-value]
        np.where(
            2 * radius_mm < side_mm,
            np.clip(centre_mm, radius_mm, np.maximum(side_mm - radius_mm, radius_mm)),
            side_mm / 2,
        )
        for centre_mm, side_mm in ((x_mm, size_mm[0]), (y_mm, size_mm[1]))
    )


def _search_step_mm(size_mm: tuple[float, float], settings: GradeSettings) -> float:
    """Return the step between positions: as set, or coarser on a face with very many, mm."""
    coarsest_mm = math.sqrt(size_mm[0] * size_mm[1] / settings.window_positions_max)
    return max(settings.window_step_mm, coarsest_mm)


def pick_worst(positions: Positions, value: np.ndarray, *, n: int) -> list[tuple[int, int]]:
    """Return up to `n` (row, col) of used positions with the highest values, spread out.

    One per block of a quarter window, the worst first: the windows that could be the worst
    one once the sizes are known better.
    """
    step = max(1, round(min(positions.size_mm) / 4 / _step_of(positions)))
    rows, cols = (-(-size // step) for size in value.shape)
    shown = np.full((rows * step, cols * step), -math.inf)
    shown[: value.shape[0], : value.shape[1]] = np.where(positions.is_used, value, -math.inf)
    blocks = shown.reshape(rows, step, cols, step).swapaxes(1, 2).reshape(rows * cols, step * step)
    at, worst = blocks.argmax(axis=1), blocks.max(axis=1)
    order = np.argsort(-worst, kind="stable")[:n]
    order = order[np.isfinite(worst[order])]
    row = order // cols * step + at[order] // step
    col = order % cols * step + at[order] % step
    return list(zip(row.tolist(), col.tolist(), strict=True))


def pick_middle(positions: Positions, value: np.ndarray) -> tuple[int, int]:
    """Return the (row, col) of the used position whose value stands in the middle."""
    flat = np.flatnonzero(positions.is_used)
    order = np.argsort(value.ravel()[flat], kind="stable")
    row, col = np.unravel_index(flat[order[(len(flat) - 1) // 2]], value.shape)
    return int(row), int(col)


def describe_window(positions: Positions, at: tuple[int, int], *, share: float, n: int) -> Window:
    """Return the record of one window; x_mm and y_mm are its top-left corner."""
    left_mm, top_mm, _, _ = positions.window_mm(*at)
    return Window(positions.size_mm, left_mm, top_mm, share, n)


def _starts(face_mm: float, window_mm: float, step_mm: float) -> np.ndarray:
    """Left edges every step, the last one flush with the face's far edge."""
    slack_mm = face_mm - window_mm
    if slack_mm < -1e-6:
        return np.empty(0)
    # A step that divides the window lets left and right edges share their nodes.
    step_mm = window_mm / math.ceil(window_mm / step_mm - 1e-9)
    starts = np.arange(0.0, slack_mm + 1e-9, step_mm)
    if slack_mm - starts[-1] > 1e-6:
        starts = np.append(starts, slack_mm)
    return starts


def _edges(starts_mm: np.ndarray, window_mm: float, face_mm: float) -> np.ndarray:
    edges = np.round(np.concatenate([[0.0, face_mm], starts_mm, starts_mm + window_mm]), 6)
    return np.unique(np.clip(edges, 0.0, round(face_mm, 6)))


def _window_sums(positions: Positions, summed: np.ndarray) -> np.ndarray:
    left, right = _edge_index(positions.nodes_x_mm, positions.left_mm, positions.size_mm[0])
    top, bottom = _edge_index(positions.nodes_y_mm, positions.top_mm, positions.size_mm[1])
    bands = summed[bottom] - summed[top]
    return bands[:, right] - bands[:, left]


def _edge_index(
    nodes_mm: np.ndarray, starts_mm: np.ndarray, window_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    first = np.searchsorted(nodes_mm, np.round(starts_mm, 6) - 5e-7)
    last = np.searchsorted(nodes_mm, np.round(starts_mm + window_mm, 6) - 5e-7)
    return first, np.minimum(last, len(nodes_mm) - 1)


def _read_between(seen: SeenMap, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Summed seen area at any nodes: linear inside a cell, where the seen share is even."""
    by_row = _interpolate(seen.summed_mm2, seen.nodes_y_mm, y_mm)
    return _interpolate(by_row.T, seen.nodes_x_mm, x_mm).T


def _interpolate(table: np.ndarray, nodes_mm: np.ndarray, at_mm: np.ndarray) -> np.ndarray:
    low = np.clip(np.searchsorted(nodes_mm, at_mm, side="right") - 1, 0, len(nodes_mm) - 2)
    part = np.clip((at_mm - nodes_mm[low]) / (nodes_mm[low + 1] - nodes_mm[low]), 0.0, 1.0)
    return table[low] * (1.0 - part)[:, None] + table[low + 1] * part[:, None]


def _sum_up(cells: np.ndarray) -> np.ndarray:
    summed = np.zeros((cells.shape[0] + 1, cells.shape[1] + 1))
    np.cumsum(np.cumsum(cells, axis=0), axis=1, out=summed[1:, 1:])
    return summed


def _face_size(positions: Positions) -> tuple[float, float]:
    return float(positions.nodes_x_mm[-1]), float(positions.nodes_y_mm[-1])


def _step_of(positions: Positions) -> float:
    steps = [
        np.diff(edges).max() for edges in (positions.left_mm, positions.top_mm) if len(edges) > 1
    ]
    return float(max(steps)) if steps else 1.0
