"""The agreed limits as the planner sees them: windows that must hold, and what adds to them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csc_matrix, csr_matrix, vstack

from ..grade.agreed import AgreedLimit
from ..grade.regions import Region, value_of_limit, weigh_windows
from ..grade.windows import pick_worst
from .options import Option
from .problem import COATED, Problem

MANY = 100_000
ROUGHER = 3  # the quick look takes every third position each way; our choice, for speed
TIGHTER = 1e-7  # the plan keeps a hair inside a limit, against rounding in the solver


@dataclass(frozen=True, slots=True)
class Watch:
    """One limit in one region, with the figure the plan aims at (at or below the limit).

    rough : the same region on a coarser step, looked at first because it is quicker.
    """

    region: Region
    limit: AgreedLimit
    aim: float
    rough: Region

    def values(self, left: np.ndarray) -> np.ndarray:
        """Return the figure in every window when `left` of each pit (whole table) stays open."""
        return value_of_limit(self.region, self.limit, left[self.region.rows])[0]

    def worst(self, left: np.ndarray) -> float:
        """Return the worst figure over all used windows."""
        values, positions = value_of_limit(self.region, self.limit, left[self.region.rows])
        return float(values.max() if positions is None else values[positions.is_used].max())


@dataclass(frozen=True, slots=True)
class WindowRows:
    """Windows that must hold: weight of each pit in each of them, and the figure to keep."""

    weights: csr_matrix
    aims: np.ndarray

    @property
    def n(self) -> int:
        """Number of windows."""
        return len(self.aims)

    def with_more(self, other: "WindowRows") -> "WindowRows":
        """Return these windows and the others."""
        return WindowRows(
            vstack([self.weights, other.weights]).tocsr(), np.concatenate([self.aims, other.aims])
        )


def watch_limits(regions: Sequence[Region], *, margin: float) -> tuple[Watch, ...]:
    """Return every window limit of the regions; the plan aims `margin` (a share) below it."""
    watches = []
    for region in regions:
        rough = _roughen(region)
        watches += [
            Watch(region, limit, limit.limit * (1 - margin), rough)
            for limit in region.limits
            if limit.kind in ("area_ratio", "pit_rate")
        ]
    return tuple(watches)


def find_broken(watches: Sequence[Watch], left: np.ndarray, *, n_pits: int) -> WindowRows:
    """Return the worst broken window of every block of a quarter window, for all limits.

    Positions on a coarser step are looked at first; only when none of them is broken, all
    positions are.

    left : share of each pit that stays open (pits,).
    """
    rows = _find_broken(watches, left, n_pits=n_pits, is_rough=True)
    return rows if rows.n else _find_broken(watches, left, n_pits=n_pits, is_rough=False)


def _find_broken(
    watches: Sequence[Watch], left: np.ndarray, *, n_pits: int, is_rough: bool
) -> WindowRows:
    rows = WindowRows(csr_matrix((0, n_pits)), np.empty(0))
    for watch in watches:
        region = watch.rough if is_rough else watch.region
        values, positions = value_of_limit(region, watch.limit, left[region.rows])
        aim = watch.aim * (1 + TIGHTER) + TIGHTER
        at = [one for one in pick_worst(positions, values, n=MANY) if values[one] > aim]
        if not at:
            continue
        weights = csr_matrix(weigh_windows(region, watch.limit, positions, at))
        wide = csr_matrix(
            (weights.data, region.rows[weights.indices], weights.indptr),
            shape=(len(at), n_pits),
        )
        rows = rows.with_more(WindowRows(wide, np.full(len(at), watch.aim)))
    return rows


def _roughen(region: Region) -> Region:
    return replace(region, measured=replace(region.measured, every=ROUGHER, placed={}))


def left_by_option(problem: Problem) -> tuple[csc_matrix, np.ndarray]:
    """Return share left open (pits x columns) and first column per unit.

    Columns: the options of every unit one after the other, then one coat per unit.
    """
    every: list[tuple[np.ndarray, Option]] = []
    first = np.zeros(len(problem.units) + 1, int)
    for index, (unit, options) in enumerate(zip(problem.units, problem.options, strict=True)):
        every += [(unit.pits, option) for option in options]
        first[index + 1] = len(every)
    every += [(u.pits, coat) for u, coat in zip(problem.units, problem.coats, strict=True)]
    lengths = [len(pits) for pits, _ in every]
    indptr = np.concatenate([[0], np.cumsum(lengths)])
    indices = np.concatenate([pits for pits, _ in every]) if every else np.empty(0, int)
    data = np.concatenate([option.left for _, option in every]) if every else np.empty(0)
    shape = (len(problem.pits.pit_id), len(every))
    return csc_matrix((data, indices, indptr), shape=shape), first


def columns_of(choice: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return the column of each unit's chosen option."""
    choice = np.asarray(choice)
    coats = first[-1] + np.arange(len(choice))
    return np.where(choice == COATED, coats, first[:-1] + np.maximum(choice, 0))


def require_single_limits(problem: Problem, regions: Sequence[Region]) -> tuple[Problem, list[str]]:
    """Return the problem without options that leave a pit open that is over a single limit.

    Also returns names of units where what the person fixed leaves such a pit open.
    """
    must_close = np.zeros(len(problem.pits.pit_id), bool)
    for region in regions:
        for limit in region.limits:
            if limit.kind == "largest_void":
                pits = region.measured.pits
                over = pits.length_mm > limit.limit * (1 + 1e-9)
                if not limit.is_limit_allowed:
                    over = pits.length_mm >= limit.limit
                must_close[region.rows[over]] = True
    if not must_close.any():
        return problem, []
    kept, stuck = [], []
    for unit, options in zip(problem.units, problem.options, strict=True):
        wanted = must_close[unit.pits]
        closing = tuple(o for o in options if not (wanted & (o.left > 0.5)).any())
        kept.append(closing or options[-1:])
        if not closing:
            stuck.append(unit.name)
    return replace(problem, options=tuple(kept)), stuck
