"""In which order: the way from pit to pit, and the steps of the work with their waits."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from .fields import FieldGrid, divide_face

STRETCHES = (1, 2, 3)
LONGEST_MOVED = 150  # pits in one field up to which stretches are moved too; speed, our choice
N_SWEEPS = 30  # rounds of shortening the way inside one field; it usually stops far earlier
LONGEST_TABLED = 1500  # pits in one field up to which all distances are kept in a table; 18 MB
LONGEST_SHORTENED = 4000  # pits; a longer list keeps the strip order, which is already short


Measure = Callable[[int], np.ndarray]


def walk_pits(pits: pd.DataFrame, face_size_mm: tuple[float, float], field_mm: float) -> np.ndarray:
    """Return the row positions of the pits in walking order.

    The walk starts at the front-left corner (bottom left of the plan), goes field by field
    to the right, comes back in the next row, and takes a short way inside each field.

    Parameters
    ----------
    pits : pandas.DataFrame with x_mm, y_mm
    face_size_mm : (width, height), mm
    field_mm : side of the fields walked one after the other, mm

    Errors of the answer: not the shortest way of all; inside a field usually within a few
    per cent of it (nearest next, then crossings are undone and short
    stretches moved until nothing gets shorter).
    Source: nearest neighbour, two-edge exchange and moving of stretches, textbook.
    """
    x_mm, y_mm = pits["x_mm"].to_numpy(float), pits["y_mm"].to_numpy(float)
    grid = divide_face(face_size_mm, field_mm)
    number = grid.locate(x_mm, y_mm)
    here = np.array([0.0, face_size_mm[1]])
    way: list[np.ndarray] = []
    for field in _serpentine(grid):
        rows = np.flatnonzero(number == field)
        if not len(rows):
            continue
        points = np.column_stack([x_mm[rows], y_mm[rows]])
        path = shorten_way(points, start=here, end=_exit_corner(grid, field))
        way.append(rows[path])
        here = points[path[-1]]
    return np.concatenate(way) if way else np.empty(0, int)


def shorten_way(points: np.ndarray, *, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Return the order of points on a short way from `start` through all of them to `end`."""
    if len(points) > LONGEST_SHORTENED:
        return _strip_order(points)
    first = _nearest_order(points, start)
    nodes = np.vstack([start, points[first], end])
    order, measure = np.arange(len(nodes)), _measure_gaps(nodes)
    for _ in range(N_SWEEPS):
        before = order
        order = _undo_crossings(nodes, order, measure)
        if (
            len(points) > LONGEST_MOVED
        ):  # nothing else is tried, so another round would find nothing
            break
        order = _move_stretches(nodes, order, measure)
        if np.array_equal(order, before):
            break
    return first[order[1:-1] - 1]


def _serpentine(grid: FieldGrid) -> list[int]:
    fields = []
    for row in range(grid.n_rows):
        cols = range(grid.n_cols) if row % 2 == 0 else range(grid.n_cols - 1, -1, -1)
        fields.extend(row * grid.n_cols + col for col in cols)
    return fields


def _exit_corner(grid: FieldGrid, field: int) -> np.ndarray:
    """The middle of the side the walk leaves a field by."""
    left, top, width, height = grid.box_mm(field)
    row, col = divmod(field, grid.n_cols)
    is_rightward = row % 2 == 0
    is_last = col == (grid.n_cols - 1 if is_rightward else 0)
    if is_last:
        return np.array([left + width / 2, top])
    return np.array([left + width if is_rightward else left, top + height / 2])


def _nearest_order(points: np.ndarray, start: np.ndarray) -> np.ndarray:
    x, y = np.ascontiguousarray(points[:, 0]), np.ascontiguousarray(points[:, 1])
    order, taken, (here_x, here_y) = np.empty(len(points), int), np.zeros(len(points)), start
    for k in range(len(points)):
        distance = np.hypot(x - here_x, y - here_y)
        distance += taken
        order[k] = nearest = int(distance.argmin())
        taken[nearest] = np.inf
        here_x, here_y = x[nearest], y[nearest]
    return order


def _undo_crossings(nodes: np.ndarray, order: np.ndarray, measure: Measure) -> np.ndarray:
    """Reverse stretches of the way as long as that makes it shorter; both ends stay."""
    order = order.copy()
    for _ in range(N_SWEEPS):
        is_shorter = False
        step = _measure_steps(nodes, order)
        for i in range(len(nodes) - 3):
            gain = measure(order[i])[order[i + 2 : -1]]
            gain += measure(order[i + 1])[order[i + 3 :]]
            gain -= step[i] + step[i + 2 :]
            best = int(gain.argmin())
            if gain[best] < -1e-9:
                order[i + 1 : i + 3 + best] = order[i + 1 : i + 3 + best][::-1]
                step = _measure_steps(nodes, order)
                is_shorter = True
        if not is_shorter:
            break
    return order


def _measure_gaps(nodes: np.ndarray) -> Measure:
    """The distances of all nodes from one: from a table while that is small, worked out where it is not."""
    x, y = nodes.T
    if len(nodes) > LONGEST_TABLED:
        return lambda one: np.hypot(x - x[one], y - y[one])
    table = np.hypot(np.subtract.outer(x, x), np.subtract.outer(y, y))
    return lambda one: table[one]


def _measure_steps(nodes: np.ndarray, order: np.ndarray) -> np.ndarray:
    return np.hypot(*np.diff(nodes[order], axis=0).T)


def _move_stretches(nodes: np.ndarray, order: np.ndarray, measure: Measure) -> np.ndarray:
    """Move one to three neighbours to where they lengthen the way least; both ends stay."""
    step = _measure_steps(nodes, order)
    for length in STRETCHES:
        for i in range(1, len(nodes) - length):
            first, last, after = order[i], order[i + length - 1], order[i + length :]
            rest = np.concatenate([order[:i], after])
            gap = np.concatenate(
                [step[: i - 1], measure(order[i - 1])[after[:1]], step[i + length :]]
            )
            to_first, to_last = measure(first)[rest], measure(last)[rest]
            forward = to_first[:-1] + to_last[1:] - gap
            backward = to_last[:-1] + to_first[1:] - gap
            shorter = np.minimum(forward, backward)
            best = int(shorter.argmin())
            if shorter[best] < forward[i - 1] - 1e-9:
                stretch = order[i : i + length]
                stretch = stretch if forward[best] <= backward[best] else stretch[::-1]
                order = np.insert(rest, best + 1, stretch)
                step = _measure_steps(nodes, order)
    return order


def _strip_order(points: np.ndarray) -> np.ndarray:
    """Strips to and fro, as wide as suits the density."""
    x, y = points.T
    n_strips = max(1, round(np.sqrt(len(points) / 3)))
    strip = np.minimum(((x - x.min()) / max(np.ptp(x), 1e-9) * n_strips).astype(int), n_strips - 1)
    return np.lexsort((np.where(strip % 2 == 0, -y, y), strip))
