"""The face before and after as two pictures of the same place and size, one to be wiped over the other."""

import cv2
import numpy as np

from rakelight.core.records import Comparison, Inspection

LEAST_PAIRS = 3
OUTSIDE = (128, 128, 128)
"""Grey where the later photo does not reach."""


def lay_over(
    before: Inspection, after: Inspection, change: Comparison, *, side_px: int
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return both faces on the earlier plan, uint8 RGB of one size; None when a face was not kept.

    Parameters
    ----------
    before, after : the two surveys. change : what became of every pit, with places in both.
    side_px : longer side of the pictures.

    Errors of the answer: the later face is laid over by the pits and marks that stayed put, so it
    fits to about the millimetre that they do; with fewer than three of them it is laid on as it is.

    Source: our choice.
    """
    if not before.face.rgb.size or not after.face.rgb.size:
        return None
    step_mm = max(before.face.size_mm) / side_px
    size = tuple(max(1, round(side / step_mm)) for side in before.face.size_mm)
    first = cv2.resize(before.face.rgb, size, interpolation=cv2.INTER_AREA)
    to_mm = np.array([[step_mm, 0, step_mm / 2], [0, step_mm, step_mm / 2], [0, 0, 1]])
    per_mm = 1 / after.face.mm_per_px
    to_px = np.array([[per_mm, 0, -0.5], [0, per_mm, -0.5], [0, 0, 1]])
    matrix = to_px @ fit_places(change) @ to_mm
    second = cv2.warpAffine(
        after.face.rgb, matrix[:2], size, flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP,
        borderValue=OUTSIDE,
    )  # fmt: skip
    return first, second


def fit_places(change: Comparison) -> np.ndarray:
    """Return the affine map from places before to places after, 3 x 3 in mm, from the table's own pairs."""
    table = change.table.dropna(subset=["before_x_mm", "after_x_mm"])
    if len(table) < LEAST_PAIRS:
        return np.eye(3)
    before = table[["before_x_mm", "before_y_mm"]].to_numpy(float)
    after = table[["after_x_mm", "after_y_mm"]].to_numpy(float)
    rows, *_ = np.linalg.lstsq(np.c_[before, np.ones(len(before))], after, rcond=None)
    return np.vstack([rows.T, [0, 0, 1]])
