"""How much of a round mouth lies inside a rectangle, exactly.

Pits enter the windows as discs of equal mouth area. The share of a disc inside a window
is worked out in closed form, so that a pit cut by the window's edge counts with the part
that lies inside.
"""

import numpy as np


def corner_area(right: np.ndarray, below: np.ndarray) -> np.ndarray:
    """Return the area of the unit disc left of `right` and above `below` (0 to pi).

    Parameters
    ----------
    right, below : float arrays of one shape
        Place of the corner relative to the disc's centre, in radii.

    Notes
    -----
    Integral of the chord over x: full chords 2 s(x) where the corner's line lies below the
    disc, and `below` + s(x) where it cuts it, with s(x) = sqrt(1 - x^2).

    Errors of the answer: rounding only.
    Source: plane geometry, worked out here.
    """
    right = np.clip(right, -1.0, 1.0)
    below = np.clip(below, -1.0, 1.0)
    cut = np.sqrt(1.0 - below**2)
    full_chord = np.where(below >= 0, 2.0, 0.0)
    left_part = full_chord * _half_chord_integral(np.minimum(right, -cut))
    middle = np.clip(right, -cut, cut)
    middle_part = below * (middle + cut) + (
        _half_chord_integral(middle) - _half_chord_integral(-cut)
    )
    right_part = full_chord * (
        _half_chord_integral(np.maximum(right, cut)) - _half_chord_integral(cut)
    )
    return left_part + middle_part + right_part


def share_inside(
    x_mm: np.ndarray, y_mm: np.ndarray, radius_mm: np.ndarray, *, windows_mm: np.ndarray
) -> np.ndarray:
    """Return which share of each disc lies in each window (windows x discs, 0 to 1).

    Parameters
    ----------
    x_mm, y_mm, radius_mm : float (discs,), mm
    windows_mm : float (windows, 4), mm
        Left, top, right, bottom.

    Errors of the answer: exact for round mouths; a mouth of another shape that is cut by the
    window's edge may count with up to its own area too much or too little.
    """
    left, top, right, bottom = np.asarray(windows_mm, float).reshape(-1, 4).T[:, :, None]
    radius_mm = np.maximum(radius_mm, 1e-9)
    # Signed distance of each centre to the nearest edge from inside, in radii.
    depth = np.minimum(np.minimum(x_mm - left, right - x_mm), np.minimum(y_mm - top, bottom - y_mm))
    share = (depth >= radius_mm).astype(float)
    window, disc = np.nonzero(np.abs(depth) < radius_mm)
    x, y, radius = x_mm[disc], y_mm[disc], radius_mm[disc]
    to_left, to_right = ((edge[window, 0] - x) / radius for edge in (left, right))
    to_top, to_bottom = ((edge[window, 0] - y) / radius for edge in (top, bottom))
    area = (
        corner_area(to_right, to_bottom)
        - corner_area(to_left, to_bottom)
        - corner_area(to_right, to_top)
        + corner_area(to_left, to_top)
    )
    share[window, disc] = np.clip(area / np.pi, 0.0, 1.0)
    return share


def lay_discs(
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    area_mm2: np.ndarray,
    *,
    weight: np.ndarray,
    nodes_x_mm: np.ndarray,
    nodes_y_mm: np.ndarray,
) -> np.ndarray:
    """Return the weighted disc area in every cell between the nodes, mm2 (rows, cols).

    Cells may be of unequal size; the part of a disc outside the nodes is left out.
    Errors of the answer: rounding only; `share_inside` is the plain version.
    """
    cells = np.zeros((len(nodes_y_mm) - 1, len(nodes_x_mm) - 1))
    radius_mm = np.sqrt(np.maximum(area_mm2, 1e-12) / np.pi)
    first_col, n_cols = _touched_cells(x_mm, radius_mm, nodes_x_mm)
    first_row, n_rows = _touched_cells(y_mm, radius_mm, nodes_y_mm)
    for rows, cols in set(zip(n_rows.tolist(), n_cols.tolist(), strict=True)):
        same = (n_rows == rows) & (n_cols == cols)
        row_nodes = first_row[same, None] + np.arange(rows + 1)
        col_nodes = first_col[same, None] + np.arange(cols + 1)
        below = (nodes_y_mm[row_nodes] - y_mm[same, None]) / radius_mm[same, None]
        right = (nodes_x_mm[col_nodes] - x_mm[same, None]) / radius_mm[same, None]
        corners = corner_area(right[:, None, :], below[:, :, None])
        parts = np.diff(np.diff(corners, axis=1), axis=2)
        parts *= (weight[same] * area_mm2[same] / np.pi)[:, None, None]
        np.add.at(cells, (row_nodes[:, :-1, None], col_nodes[:, None, :-1]), parts)
    return cells


def _touched_cells(
    centre_mm: np.ndarray, radius_mm: np.ndarray, nodes_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    last_cell = len(nodes_mm) - 2
    first = np.searchsorted(nodes_mm, centre_mm - radius_mm, side="right") - 1
    last = np.searchsorted(nodes_mm, centre_mm + radius_mm, side="left") - 1
    first, last = np.clip(first, 0, last_cell), np.clip(last, 0, last_cell)
    return first, np.maximum(last - first, 0) + 1


def _half_chord_integral(x: np.ndarray) -> np.ndarray:
    """Area between -1 and x under the upper half of the unit circle."""
    return (x * np.sqrt(np.maximum(1.0 - x * x, 0.0)) + np.arcsin(x)) / 2.0 + np.pi / 4.0
