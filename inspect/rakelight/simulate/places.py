"""Where made-up pits and marks lie: nothing overlaps, and some stand in clusters."""

import numpy as np

from ..core.errors import SettingsError

CELL_MM = 0.4
"""Side of an occupancy cell, mm (our choice: below the smallest pit)."""

TRIES = 30
"""Places tried before a thing is left out as there is no room (our choice)."""


class Board:
    """The slab as a board on which things take their place once."""

    def __init__(self, size_mm: tuple[float, float], rng: np.random.Generator) -> None:
        if min(size_mm) <= 2 * CELL_MM:
            raise SettingsError(f"Make the slab larger than {2 * CELL_MM:g} mm each way.")
        self.size_mm = size_mm
        self.rng = rng
        shape = (int(size_mm[1] / CELL_MM) + 1, int(size_mm[0] / CELL_MM) + 1)
        self.taken = np.zeros(shape, bool)

    def find_place(
        self,
        reach_mm: float,
        *,
        centre_mm: tuple[float, float] | None = None,
        spread_mm: float = 0.0,
    ) -> tuple[float, float] | None:
        """Return a free place (x, y) in mm for a thing of that radius, or None when there is none.

        With `centre_mm` the place is drawn around it with a normal spread of `spread_mm`.
        """
        room = np.array(self.size_mm) - 2 * (reach_mm + 0.6)
        if np.any(room <= 0):
            return None
        for _ in range(TRIES):
            place = reach_mm + 0.6 + self.rng.random(2) * room
            if centre_mm is not None:
                place = np.array(centre_mm) + self.rng.standard_normal(2) * spread_mm
                if np.any(place < reach_mm + 0.6) or np.any(place > reach_mm + 0.6 + room):
                    continue
            if self._is_free(place, reach_mm):
                self.take(place, reach_mm)
                return float(place[0]), float(place[1])
        return None

    def take(self, place, reach_mm: float) -> None:
        """Mark the circle around `place` as taken."""
        self._window(place, reach_mm)[...] = True

    def _is_free(self, place, reach_mm: float) -> bool:
        return not self._window(place, reach_mm + CELL_MM).any()

    def _window(self, place, reach_mm: float) -> np.ndarray:
        col, row = place[0] / CELL_MM, place[1] / CELL_MM
        reach = reach_mm / CELL_MM
        rows = slice(max(int(row - reach), 0), max(int(np.ceil(row + reach)), 0) + 1)
        cols = slice(max(int(col - reach), 0), max(int(np.ceil(col + reach)), 0) + 1)
        return self.taken[rows, cols]


def draw_diameters(
    n: int,
    rng: np.random.Generator,
    *,
    median_mm: float,
    spread: float,
    smallest_mm: float,
    largest_mm: float,
) -> np.ndarray:
    """Return `n` diameters in mm, log-normal and cut to `smallest_mm`..`largest_mm`, largest first.

    `spread` is the standard deviation of the natural logarithm.

    Errors of the answer: the cut part is drawn again, so the median shifts when much is cut.
    Source: our choice; pit counts fall steeply with size in every set seen.
    """
    diameters = np.empty(0)
    for _ in range(60):
        drawn = median_mm * np.exp(spread * rng.standard_normal(max(2 * n, 16)))
        kept = drawn[(drawn >= smallest_mm) & (drawn <= largest_mm)]
        diameters = np.append(diameters, kept)
        if len(diameters) >= n:
            return np.sort(diameters[:n])[::-1]
    raise SettingsError(
        "The pit sizes asked for lie almost wholly outside smallest_mm..largest_mm."
    )
