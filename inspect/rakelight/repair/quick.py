"""The quick search: best relief per cost, step by step, then take back what is spare.

Works on plain arrays: `amounts` (windows, columns) says what each option leaves in each window,
`aims` what may be left; a unit's options are the columns from `first[unit]` to
`first[unit + 1]`; coats come after all options, one column per unit.
"""

import numpy as np

from .limits import columns_of
from .problem import COATED

LEAST_RELIEF = 1e-12
NEARLY = 1e-9  # a window this little over its aim counts as kept


def improve_step_by_step(
    amounts: np.ndarray,
    aims: np.ndarray,
    *,
    first: np.ndarray,
    costs: np.ndarray,
    start: np.ndarray,
) -> np.ndarray | None:
    """Return a choice that keeps every window, from `start` on; None when no step helps.

    Each step takes the option that relieves broken windows most per extra cost; at the end
    options that later steps made needless are taken back, the dearest first.

    Errors of the answer: usually a few per cent above the least cost, sometimes more.
    Source: greedy covering, textbook.
    """
    search = _Search(amounts, aims, first, costs, np.array(start))
    while search.is_any_broken():
        best = int(np.argmax(search.score))
        if search.score[best] <= LEAST_RELIEF:
            return None
        search.take(best)
    search.undo_spare()
    return search.choice


class _Search:
    """Choice, totals per window and score per option, kept up to date step by step."""

    def __init__(
        self,
        amounts: np.ndarray,
        aims: np.ndarray,
        first: np.ndarray,
        costs: np.ndarray,
        choice: np.ndarray,
    ) -> None:
        self.aims, self.first, self.costs, self.choice = aims, first, costs, choice
        self.columns = columns_of(choice, first)
        self.totals = amounts[:, self.columns].sum(axis=1)
        n_options = int(first[-1])
        is_touched = amounts[:, :n_options] > 0
        starts = first[:-1]
        self.touches = np.logical_or.reduceat(is_touched, starts, axis=1)
        self.windows = [np.flatnonzero(column) for column in self.touches.T]
        self.blocks = [
            amounts[windows, low:high]
            for windows, low, high in zip(self.windows, first[:-1], first[1:], strict=True)
        ]
        self.unit_of = np.repeat(np.arange(len(choice)), np.diff(first))
        self.score = np.zeros(n_options)
        self._rate(range(len(choice)))

    def is_any_broken(self) -> bool:
        """Whether a window is over its aim."""
        return bool((self.totals > self.aims + NEARLY).any())

    def take(self, column: int) -> None:
        """Choose one option and rate again whatever shares a window with it."""
        unit = int(self.unit_of[column])
        self._switch(unit, column)
        self._rate(np.flatnonzero(self.touches[self.windows[unit]].any(axis=0)))

    def undo_spare(self) -> None:
        """Take the cheapest option that still keeps every window, the dearest units first."""
        for unit in np.argsort(-self.costs[self.columns], kind="stable"):
            if self.choice[unit] == COATED:
                continue
            low, high = self.first[unit], self.first[unit + 1]
            block, windows = self.blocks[unit], self.windows[unit]
            without = self.totals[windows] - block[:, self.columns[unit] - low]
            fits = (without[:, None] + block <= self.aims[windows, None] + NEARLY).all(axis=0)
            costs = np.where(fits, self.costs[low:high], np.inf)
            best = int(np.argmin(costs))
            if costs[best] < self.costs[self.columns[unit]] - LEAST_RELIEF:
                self._switch(int(unit), int(low) + best)

    def _switch(self, unit: int, column: int) -> None:
        low = self.first[unit]
        block = self.blocks[unit]
        change = block[:, column - low] - block[:, self.columns[unit] - low]
        self.totals[self.windows[unit]] += change
        self.columns[unit] = column
        self.choice[unit] = column - low

    def _rate(self, units: "np.ndarray | range") -> None:
        for unit in units:
            low, high = self.first[unit], self.first[unit + 1]
            if self.choice[unit] == COATED:
                self.score[low:high] = 0.0
                continue
            windows, block = self.windows[unit], self.blocks[unit]
            over = np.maximum(self.totals[windows] - self.aims[windows], 0.0)
            relief = block[:, [self.columns[unit] - low]] - block
            gain = np.clip(relief, 0.0, over[:, None]).sum(axis=0)
            extra = np.maximum(self.costs[low:high] - self.costs[self.columns[unit]], NEARLY)
            self.score[low:high] = gain / extra
