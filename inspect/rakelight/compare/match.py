"""Which pit of the later survey is which pit of the earlier one?

Catalogue: `Places` (plain arrays of what is to be matched), `match_places` (one to one, the
assignment of least total cost), `PlaceMatch` (pairs, their cost and their chance). A cost is
half a sum of squared, scaled differences of place, size and shape: 0 is a perfect pair, and a
pair dearer than the gate is never made.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..core.settings import CompareSettings

Predict = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]

SIZE_Z_MAX = 3.0
"""A size or shape that differs more than this many standard deviations costs no more: a chipped
lip or a half-sunk fill is still the same pit when its place agrees (our choice)."""


@dataclass(frozen=True, slots=True)
class Places:
    """Places to be matched: arrays of equal length (n,).

    x_mm, y_mm : centre; diameter_mm : above 0; stretch : length over width, 1 or more.
    """

    x_mm: np.ndarray
    y_mm: np.ndarray
    diameter_mm: np.ndarray
    stretch: np.ndarray

    @classmethod
    def from_table(cls, table: pd.DataFrame) -> "Places":
        """Return the places of a pit or mark table; an unknown stretch counts as round."""
        x_mm, y_mm, diameter_mm, length_mm, width_mm = (
            table[name].to_numpy(float)
            for name in ("x_mm", "y_mm", "diameter_mm", "length_mm", "width_mm")
        )
        stretch = np.ones(len(x_mm))
        np.divide(length_mm, width_mm, out=stretch, where=(width_mm > 0) & (length_mm > 0))
        return cls(x_mm, y_mm, diameter_mm, np.maximum(stretch, 1.0))

    @property
    def xy_mm(self) -> np.ndarray:
        """Centres as (n, 2): x, y."""
        return np.column_stack([self.x_mm, self.y_mm])

    def __len__(self) -> int:
        return len(self.x_mm)

    def take(self, index: np.ndarray) -> "Places":
        """Return the chosen places, in the order given."""
        return Places(*(a[index] for a in (self.x_mm, self.y_mm, self.diameter_mm, self.stretch)))

    def join(self, other: "Places") -> "Places":
        """Return these places followed by the others."""
        names = ("x_mm", "y_mm", "diameter_mm", "stretch")
        return Places(*(np.concatenate([getattr(self, n), getattr(other, n)]) for n in names))


@dataclass(frozen=True, slots=True)
class PlaceMatch:
    """Pairs by index: before[k] is the same place as after[k].

    cost : 0 and up; chance : that this pair and not a rival is right, 0 to 1.
    """

    before: np.ndarray
    after: np.ndarray
    cost: np.ndarray
    chance: np.ndarray


def match_places(
    before: Places,
    after: Places,
    *,
    settings: CompareSettings | None = None,
    predict: Predict | None = None,
    sd_mm: np.ndarray | float = 0.0,
) -> PlaceMatch:
    """Return the one-to-one pairs of least total cost between two sets of places.

    Parameters
    ----------
    before, after : places in mm, each on its own plan.
    predict : callable, optional
        Takes x_mm, y_mm of the earlier places (n,) and returns where they should be now, on the
        later plan. Default: they did not move.
    sd_mm : (n,) or float, mm
        Standard uncertainty of that prediction, beside the settings' own.

    Returns
    -------
    PlaceMatch, sorted by index of before; empty arrays when nothing can be paired.

    Errors of the answer
    --------------------
    Two pits closer together than about one gate (four times the placing error) can be mixed up
    when one of them was filled; `chance` falls below 1 there.

    Source
    ------
    Least-cost assignment with gates: Bar-Shalom and Fortmann, Tracking and Data Association,
    1988 (from memory); cost terms: our choice.
    """
    settings = settings or CompareSettings()
    moved = before.xy_mm if predict is None else np.column_stack(predict(before.x_mm, before.y_mm))
    gate = settings.gate_sd**2 / 2
    rows, cols, cost = _list_candidates(
        before, after, moved, np.broadcast_to(sd_mm, len(before)), settings
    )
    chosen = _assign(rows, cols, cost, gate, (len(before), len(after)))
    chance = _weigh_rivals(rows, cols, cost, gate, (len(before), len(after)))
    order = chosen[np.argsort(rows[chosen], kind="stable")]
    return PlaceMatch(rows[order], cols[order], cost[order], chance[order])


def pair_cost(
    before: Places,
    after: Places,
    offset_mm: np.ndarray,
    sd_mm: np.ndarray,
    settings: CompareSettings,
) -> np.ndarray:
    """Return the cost of pairing before[k] with after[k], given how far apart they lie (n,)."""
    place_sd_mm = np.sqrt(
        2 * settings.place_sd_mm**2 + (settings.place_sd_share * before.diameter_mm) ** 2 + sd_mm**2
    )
    size_z = np.log(after.diameter_mm / before.diameter_mm) / settings.size_sd_share
    shape_z = np.log(after.stretch / before.stretch) / settings.shape_sd
    return 0.5 * (
        (offset_mm / place_sd_mm) ** 2
        + np.minimum(np.abs(size_z), SIZE_Z_MAX) ** 2 / 2
        + np.minimum(np.abs(shape_z), SIZE_Z_MAX) ** 2 / 4
    )


def _list_candidates(before, after, moved, sd_mm, settings):
    """Every pair inside the gate: index before, index after, cost."""
    none = np.empty(0, np.intp)
    if not len(before) or not len(after):
        return none, none, np.empty(0)
    from scipy.spatial import cKDTree

    widest_mm = settings.gate_sd * np.sqrt(
        2 * settings.place_sd_mm**2
        + (settings.place_sd_share * before.diameter_mm) ** 2
        + np.asarray(sd_mm) ** 2
    )
    lists = cKDTree(after.xy_mm).query_ball_point(moved, widest_mm)
    rows = np.repeat(np.arange(len(before)), [len(near) for near in lists])
    cols = np.concatenate([none, *(np.asarray(near, np.intp) for near in lists)]).astype(np.intp)
    offset_mm = np.hypot(*(moved[rows] - after.xy_mm[cols]).T)
    cost = pair_cost(
        before.take(rows), after.take(cols), offset_mm, np.asarray(sd_mm)[rows], settings
    )
    keep = cost < settings.gate_sd**2 / 2
    return rows[keep], cols[keep], cost[keep]


def _assign(rows, cols, cost, gate, shape) -> np.ndarray:
    """Indices of the candidate pairs that together cost least; leaving two alone costs `gate`."""
    if not len(rows):
        return np.empty(0, np.intp)
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    n_nodes = sum(shape)
    graph = coo_array((np.ones(len(rows)), (rows, cols + shape[0])), shape=(n_nodes, n_nodes))
    cluster = connected_components(graph, directed=False)[1][rows]
    order = np.argsort(cluster, kind="stable")
    bounds = np.flatnonzero(np.diff(cluster[order])) + 1
    groups = np.split(order, bounds)
    lone = [group for group in groups if len(group) == 1]
    crowded = [_assign_cluster(group, rows, cols, cost, gate) for group in groups if len(group) > 1]
    return np.concatenate([np.empty(0, np.intp), *lone, *crowded]).astype(np.intp)


def _assign_cluster(group, rows, cols, cost, gate) -> np.ndarray:
    """The same inside one cluster of pits whose gates overlap."""
    from scipy.optimize import linear_sum_assignment

    row_ids, row = np.unique(rows[group], return_inverse=True)
    col_ids, col = np.unique(cols[group], return_inverse=True)
    # What a pair saves against leaving both alone; a pair that saves nothing is not made.
    saving = np.zeros((len(row_ids), len(col_ids)))
    which = np.full(saving.shape, -1, np.intp)
    saving[row, col] = cost[group] - gate
    which[row, col] = group
    picked = linear_sum_assignment(saving)
    return which[picked][saving[picked] < 0]


def _weigh_rivals(rows, cols, cost, gate, shape) -> np.ndarray:
    """Chance of each candidate pair against every other use of its two pits."""
    weight = np.exp(-cost)
    of_row = np.bincount(rows, weight, minlength=shape[0])
    of_col = np.bincount(cols, weight, minlength=shape[1])
    return weight / (of_row[rows] + of_col[cols] - weight + np.exp(-gate))
