"""Which option in which unit: close everything fillable, or meet the limits at least cost.

Costs fall with fewer and larger pits touched; a limit must hold in every window. Windows are
taken in only once a choice breaks them, until a check over all positions finds none broken.
"""

import itertools
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from .limits import Watch, WindowRows, find_broken, left_by_option
from .options import is_by_hand
from .problem import COATED, Problem
from .quick import improve_step_by_step
from .solver import solve_exactly

N_ROUNDS = 40
ROUNDING = 1e-9  # a gap below this is the solver's rounding, not a gap
MANY_ZONES = 4  # up to here every set of coated zones is tried by the quick search


@dataclass(frozen=True, slots=True)
class Solution:
    """A choice with its cost, and how near the least cost it is known to be.

    is_met : every window holds when filled pits stay open at the stated share; bound : no
    choice that meets the limits costs less; gap : (cost - bound) / cost; n_windows : windows
    looked at closely; how : which search gave it.
    """

    choice: np.ndarray
    cost: float
    is_met: bool
    bound: float
    gap: float
    n_windows: int
    how: str
    seconds: float


def close_fillable(problem: Problem) -> np.ndarray:
    """Return the cheaper way, zone by zone, to close every pit large enough to fill by hand.

    Used when nothing was agreed. Returns one option number per unit, or COATED.
    """
    choice = fill_everything(problem, from_mm=problem.settings.hand_fill_from_mm)
    settings = problem.settings
    for zone in range(len(problem.zones)):
        units = np.flatnonzero(problem.zone_of == zone)
        by_hand = sum(problem.options[i][max(choice[i], 0)].cost(settings) for i in units)
        coated = sum(problem.coats[i].cost(settings) for i in units) + problem.coat_setup_cost
        if problem.may_coat[zone] and coated < by_hand:
            choice[units] = COATED
    return choice


def fill_everything(problem: Problem, *, from_mm: float = 0.0) -> np.ndarray:
    """Return the choice of filling every pit from a size on by hand, wherever a coat is not fixed."""
    diameter_mm = problem.pits.arrays.diameter_mm
    choice = np.zeros(len(problem.units), int)
    for i, options in enumerate(problem.options):
        wanted = diameter_mm[problem.units[i].pits] >= from_mm
        wanted &= ~problem.pits.is_kept_open[problem.units[i].pits]
        for at, option in enumerate(options):
            choice[i] = at
            by_hand = is_by_hand(option.actions)
            if np.all(by_hand | (option.left < 1) | ~wanted):
                break
    return np.where(problem.must_coat[problem.zone_of], COATED, choice)


def coat_everything(problem: Problem) -> np.ndarray:
    """Return the choice of coating every zone that may be coated; the rest is filled by hand."""
    return np.where(problem.may_coat[problem.zone_of], COATED, fill_everything(problem))


def find_least_cost(
    problem: Problem, watches: Sequence[Watch], *, seconds: float | None = None
) -> Solution:
    """Return the least-cost choice that keeps every window, with the gap that is left.

    The quick search gives a choice at once; the exact search betters it until its time is
    up. The answer never costs more than the quick one, than filling everything, or than
    coating everything. `seconds=0` gives the quick answer only.

    Errors of the answer: the choice is within `gap` of the least cost for the options
    offered; real times and closing rates are the shop's own guesses.
    """
    start = time.monotonic()
    seconds = problem.settings.solver_seconds if seconds is None else seconds
    table = _Table.build(problem)
    found = [fill_everything(problem), coat_everything(problem)]
    rows = table.broken(watches, _cheapest(problem))
    candidates = [choice for choice in found if not table.broken(watches, choice).n]
    if not candidates:
        return _nearest_miss(problem, watches, found, rows.n, start)
    quick, rows = _search_quickly(table, watches, rows)
    candidates += [quick] if quick is not None else []
    bound, how = 0.0, "quick search"
    if seconds > 0:
        better, bound, rows = _search_exactly(table, watches, rows, until=start + seconds)
        candidates += [better] if better is not None else []
    best = min(candidates, key=problem.cost)
    cost = problem.cost(best)
    if seconds > 0 and best is candidates[-1] and better is not None:
        how = "exact search"
    gap = max(0.0, (cost - bound) / cost) if cost > 0 else 0.0
    gap = gap if gap > ROUNDING else 0.0
    taken = time.monotonic() - start
    return Solution(best, cost, True, min(bound, cost), gap, rows.n, how, taken)


@dataclass(frozen=True, slots=True)
class _Table:
    """Costs and shares left open, column by column (see `left_by_option`)."""

    problem: Problem
    left: object
    first: np.ndarray
    costs: np.ndarray

    @classmethod
    def build(cls, problem: Problem) -> "_Table":
        left, first = left_by_option(problem)
        settings = problem.settings
        costs = [option.cost(settings) for options in problem.options for option in options]
        costs += [coat.cost(settings) for coat in problem.coats]
        return cls(problem, left, first, np.array(costs))

    def broken(self, watches: Sequence[Watch], choice: np.ndarray) -> WindowRows:
        """Return windows that a choice breaks, looked for over all positions."""
        n_pits = len(self.problem.pits.pit_id)
        return find_broken(watches, self.problem.left_open(choice), n_pits=n_pits)

    def improve(self, rows: WindowRows, start: np.ndarray) -> np.ndarray | None:
        """Return what the quick search makes of a choice, for the windows known so far."""
        if not rows.n:
            return np.array(start)
        return improve_step_by_step(
            self.amounts(rows), rows.aims, first=self.first, costs=self.costs, start=start
        )

    def amounts(self, rows: WindowRows) -> np.ndarray:
        """Return what each column leaves in each window (windows x columns)."""
        return np.asarray((rows.weights @ self.left).todense())


def _cheapest(problem: Problem) -> np.ndarray:
    settings = problem.settings
    costs = [[option.cost(settings) for option in options] for options in problem.options]
    choice = np.array([int(np.argmin(one)) for one in costs], int)
    return np.where(problem.must_coat[problem.zone_of], COATED, choice)


def _search_quickly(
    table: _Table, watches: Sequence[Watch], rows: WindowRows
) -> tuple[np.ndarray | None, WindowRows]:
    """Best of the quick searches over sets of coated zones, checked over all positions."""
    best, best_cost = None, np.inf
    for coated in _zone_sets(table.problem):
        start = _cheapest(table.problem)
        start = np.where(np.isin(table.problem.zone_of, coated), COATED, start)
        if table.problem.cost(start) >= best_cost:
            continue
        choice, rows = _until_unbroken(
            table,
            watches,
            rows,
            lambda known, start=start: table.improve(known, start),
        )
        if choice is not None and table.problem.cost(choice) < best_cost:
            best, best_cost = choice, table.problem.cost(choice)
    return best, rows


def _until_unbroken(
    table: _Table,
    watches: Sequence[Watch],
    rows: WindowRows,
    search: Callable[[WindowRows], np.ndarray | None],
) -> tuple[np.ndarray | None, WindowRows]:
    for _ in range(N_ROUNDS):
        choice = search(rows)
        if choice is None:
            return None, rows
        more = table.broken(watches, choice)
        if not more.n:
            return choice, rows
        rows = rows.with_more(more)
    return None, rows


def _search_exactly(
    table: _Table, watches: Sequence[Watch], rows: WindowRows, *, until: float
) -> tuple[np.ndarray | None, float, WindowRows]:
    """Solve, check over all positions, take in what broke, until nothing breaks or time is up."""
    bound, choice = 0.0, None
    for _ in range(N_ROUNDS):
        left_s = until - time.monotonic()
        if left_s <= 0.05:
            break
        found, low = solve_exactly(
            table.problem, table.costs, table.first, table.amounts(rows), rows.aims, seconds=left_s
        )
        bound = max(bound, low)
        if found is None:
            break
        choice = found
        more = table.broken(watches, choice)
        if not more.n:
            return choice, bound, rows
        rows = rows.with_more(more)
    if choice is None:
        return None, bound, rows
    mended, rows = _until_unbroken(table, watches, rows, lambda known: table.improve(known, choice))
    return mended, bound, rows


def _zone_sets(problem: Problem) -> list[tuple[int, ...]]:
    must = tuple(np.flatnonzero(problem.must_coat).tolist())
    free = np.flatnonzero(problem.may_coat & ~problem.must_coat).tolist()
    if len(free) > MANY_ZONES:
        return [must, *((*must, zone) for zone in free), (*must, *free)]
    sizes = range(len(free) + 1)
    return [must + more for size in sizes for more in itertools.combinations(free, size)]


def _nearest_miss(
    problem: Problem, watches: Sequence[Watch], found: list[np.ndarray], n: int, start: float
) -> Solution:
    """No choice meets the limits: the one that comes nearest, for the person to see."""

    def excess(choice: np.ndarray) -> float:
        left = problem.left_open(choice)
        return max(watch.worst(left) - watch.aim for watch in watches)

    best = min(found, key=lambda choice: (excess(choice), problem.cost(choice)))
    cost = problem.cost(best)
    return Solution(best, cost, False, 0.0, 1.0, n, "nearest miss", time.monotonic() - start)
