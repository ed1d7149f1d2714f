"""Thirteen points in a 500 mm square: how precast work compares the tone of two places.

Catalogue: `place_points`, `read_points`, `compare_points`. The template's size and the number of
points are the rule's; where the points sit inside the square is our choice.
"""

from typing import Any

import numpy as np

from .blotches import ToneMap

SIDE_MM = 500.0
POINT_MM = 20.0
"""Tone is averaged over about this much around a point (our choice: a hand-held colorimeter)."""
LIMITS_DE = (7.5, 10.0)
"""Greatest dE*ab of the means; two articles on the rule (Belgium, PTV 21-601) disagree: both are given."""


def place_points(x_mm: float, y_mm: float, *, side_mm: float = SIDE_MM) -> np.ndarray:
    """Return the 13 places (13, 2) in mm of the square whose top-left corner is given.

    Three rows of three, and one in the middle of every four.

    Errors of the answer: none. Source: our choice.
    """
    thirds, between = np.array([1, 3, 5]) / 6, np.array([1, 2]) / 3
    shares = [(u, v) for v in thirds for u in thirds] + [(u, v) for v in between for u in between]
    return np.array([x_mm, y_mm]) + side_mm * np.array(shares)


def read_points(tones: ToneMap, places_mm: np.ndarray) -> np.ndarray:
    """Return L*a*b* (n, 3) at places (n, 2) in mm; NaN where the face is not seen.

    Errors of the answer: as the grid's. Source: definition.
    """
    lab = tones.smooth(POINT_MM / 2)
    rows, cols = tones.seen.shape
    col, row = (np.asarray(places_mm) / tones.cell_mm).astype(int).T
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    row, col = np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)
    found = lab[row, col].astype(float)
    found[~(inside & tones.seen[row, col])] = np.nan
    return found


def compare_points(first: np.ndarray, second: np.ndarray) -> dict[str, Any]:
    """Return the gap between the mean tones of two squares, as dE*ab, and whether it keeps 7.5 and 10.

    Parameters
    ----------
    first, second : (n, 3) L*a*b*, or (n,) L* alone as for neutral grey; NaN points are passed over.

    Errors of the answer
    --------------------
    A photo is not a colorimeter: see `measure_colour`. The rule is for precast elements, not tops.

    Source
    ------
    Precast rule of 13 points as two trade articles describe it (read); they name 7.5, and 7.5 to 10.
    """
    means = [np.nanmean(np.asarray(tones, float), axis=0) for tones in (first, second)]
    de_ab = float(np.linalg.norm(means[0] - means[1]))
    return {
        "means": [np.atleast_1d(mean).tolist() for mean in means], "dE_ab": de_ab,
        "within_7_5": de_ab <= LIMITS_DE[0], "within_10": de_ab <= LIMITS_DE[1],
    }


def compare_ends(tones: ToneMap) -> dict[str, Any] | None:
    """Return the 13-point comparison of the two ends of the face; None when they do not fit apart.

    Errors of the answer: as `compare_points`. Source: our choice of the two squares.
    """
    height_mm, width_mm = np.array(tones.seen.shape) * tones.cell_mm
    if min(width_mm, height_mm) < SIDE_MM or max(width_mm, height_mm) < 2 * SIDE_MM:
        return None
    if width_mm >= height_mm:
        corners = [(0, (height_mm - SIDE_MM) / 2), (width_mm - SIDE_MM, (height_mm - SIDE_MM) / 2)]
    else:
        corners = [((width_mm - SIDE_MM) / 2, 0), ((width_mm - SIDE_MM) / 2, height_mm - SIDE_MM)]
    squares = [read_points(tones, place_points(*corner)) for corner in corners]
    if any(np.isfinite(square[:, 0]).sum() < 9 for square in squares):
        return None
    return compare_points(*squares) | {"squares_mm": [[*map(float, corner), SIDE_MM, SIDE_MM] for corner in corners]}
