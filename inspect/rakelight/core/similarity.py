"""How one set of places lies on another: shift, turn and scale."""

import numpy as np


def fit_similarity(start: np.ndarray, goal: np.ndarray) -> np.ndarray:
    """Return the 3 x 3 matrix that carries places `start` (n, 2) onto `goal` (n, 2), columns (x, y, 1).

    Parameters
    ----------
    start, goal : float (n, 2)
        (x, y) in any unit, n >= 2 places that do not all coincide.

    Errors of the answer
    --------------------
    Least squares over all places: an outlier counts in full, so sort them out before.

    Source
    ------
    Regression of one complex number on another, a turn and scale being one complex factor (textbook).
    """
    z, w = start[:, 0] + 1j * start[:, 1], goal[:, 0] + 1j * goal[:, 1]
    middle = z.mean()
    turn = np.vdot(z - middle, w - w.mean()) / np.sum(np.abs(z - middle) ** 2)
    shift = w.mean() - turn * middle
    return np.array(
        [[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag], [0, 0, 1]]
    )
