"""Will the plan hold when fills fail by chance, and how many passes make it safe?

A plan meets a limit on average as soon as the expected open area does. Single fills fail at
random, so a window may still break it: here fillings are drawn and the windows looked at.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.sparse import csr_matrix

from ..grade.regions import value_of_limit, weigh_windows
from ..grade.windows import pick_worst
from .limits import Watch
from .problem import Problem

SEED = 20_251_103
N_FILLINGS = 400
N_WINDOWS = 400
SAFE = 0.95
MOST_PASSES = 5
SPREAD = 2.0  # windows are picked by mean plus twice the spread of what stays open


def find_passes(problem: Problem, watches: Sequence[Watch], choice: np.ndarray) -> dict[str, Any]:
    """Return how many passes keep every window in at least 95 of 100 drawn fillings.

    Returns
    -------
    dict
        `passes` (NaN-free: at most five are tried), `hold_chance` after that many passes, and
        `hold_chances` for one, two, ... passes.

    Errors of the answer: 400 draws place 95 % to about 1 %; the closing rate is the shop's
    own guess, and a pit that stays open once may be one that never closes.
    Source: our choice.
    """
    left = problem.left_open(choice)
    treated = (left < 1) & (left > 0)
    always_open = left == 1
    chances: list[float] = []
    for passes in range(1, MOST_PASSES + 1):
        still_open = (1 - problem.settings.closed_per_pass) ** passes
        chances.append(_hold_chance(watches, always_open, treated, still_open))
        if passes >= problem.settings.n_passes and chances[-1] >= SAFE:
            break
    return {"passes": len(chances), "hold_chance": chances[-1], "hold_chances": chances}


def _hold_chance(
    watches: Sequence[Watch], always_open: np.ndarray, treated: np.ndarray, still_open: float
) -> float:
    rng = np.random.default_rng(SEED)
    drawn = always_open | (treated & (rng.random((N_FILLINGS, len(treated))) < still_open))
    holds = np.ones(N_FILLINGS, bool)
    for watch in watches:
        rows = watch.region.rows
        expected = np.where(treated, still_open, always_open.astype(float))[rows]
        mean, positions = value_of_limit(watch.region, watch.limit, expected)
        # The spread per window, from the spread of each treated pit taken for itself.
        variance = np.where(treated[rows], still_open * (1 - still_open), 0.0)
        spread, _ = value_of_limit(watch.region, watch.limit, np.sqrt(variance))
        at = pick_worst(positions, mean + SPREAD * spread, n=N_WINDOWS)
        weights = csr_matrix(weigh_windows(watch.region, watch.limit, positions, at))
        values = weights @ drawn[:, rows].T.astype(float)
        holds &= values.max(axis=0) <= watch.limit.limit * (1 + 1e-9) + 1e-9
    return float(holds.mean())
