"""How detections are held against the truth: one-to-one, with what is neither right nor wrong left out."""

import itertools
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

REACH = 0.5  # a detection may lie this share of the larger diameter from the pit's true middle
RATIO = 3.0  # and be at most so many times larger or smaller


@dataclass
class Tally:
    """Counts and pairs gathered over the scenes of one set."""

    hits: int = 0
    misses: int = 0
    false: int = 0
    area_m2: float = 0.0
    false_kinds: dict[str, int] = field(default_factory=dict)
    true_mm: list[float] = field(default_factory=list)
    found_mm: list[float] = field(default_factory=list)
    sd_mm: list[float] = field(default_factory=list)
    sizes_mm: list[float] = field(default_factory=list)
    sizes_px: list[float] = field(default_factory=list)
    hit: list[bool] = field(default_factory=list)
    confidence: list[float] = field(default_factory=list)
    is_real: list[bool] = field(default_factory=list)
    listed_mm: list[float] = field(default_factory=list)
    listed_px: list[float] = field(default_factory=list)
    is_right: list[bool] = field(default_factory=list)
    true_area: float = 0.0
    found_area: float = 0.0
    area_error: list[float] = field(default_factory=list)
    worst_window: list[tuple[int, int]] = field(default_factory=list)

    @property
    def precision(self) -> float:
        """Share of the detections that are pits."""
        return self.hits / max(self.hits + self.false, 1)

    @property
    def recall(self) -> float:
        """Share of the pits that were found."""
        return self.hits / max(self.hits + self.misses, 1)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.hits / max(2 * self.hits + self.false + self.misses, 1)

    @property
    def false_per_tenth_m2(self) -> float:
        """False pits per 0.1 m2."""
        return self.false / max(self.area_m2, 1e-9) / 10

    def diameter_errors(self) -> tuple[float, float]:
        """Median bias and median absolute error of the diameter, relative."""
        ratio = np.array(self.found_mm) / np.array(self.true_mm)
        return float(np.median(ratio) - 1), float(np.median(np.abs(ratio - 1)))

    def mean_diameter_error(self) -> float:
        """Mean absolute error of the diameter, relative."""
        return float(np.mean(np.abs(np.array(self.found_mm) / np.array(self.true_mm) - 1)))

    def area_share_error(self) -> float:
        """Found open area over true open area, less 1, over all photos of the set."""
        return self.found_area / self.true_area - 1 if self.true_area else float("nan")

    def window_errors(self) -> np.ndarray:
        """Found over true count in the worst window, less 1, one per photo."""
        return np.array([found / true - 1 for true, found in self.worst_window])

    def reliability(self, bins: int = 10) -> list[tuple[int, float, float]]:
        """Per tenth of stated confidence: how many, mean stated, share that are real."""
        confidence, real = np.array(self.confidence), np.array(self.is_real, float)
        slot = np.minimum((confidence * bins).astype(int), bins - 1)
        chosen = [slot == k for k in range(bins) if (slot == k).any()]
        return [(int(one.sum()), float(confidence[one].mean()), float(real[one].mean())) for one in chosen]

    def calibration_error(self) -> float:
        """Mean gap between stated confidence and share of real pits, weighted by count."""
        table = self.reliability() if self.confidence else []
        n_all = sum(n for n, *_ in table)
        return sum(n * abs(stated - real) for n, stated, real in table) / n_all if table else float("nan")

    def by_band(self, edges: list[float], unit: str) -> list[tuple[float, float, int, float, int, float]]:
        """Per band of diameter: low, high, pits, recall, listed, precision (by the size that was found)."""
        true, hit = np.array(self.sizes_mm if unit == "mm" else self.sizes_px), np.array(self.hit, float)
        listed, right = np.array(self.listed_mm if unit == "mm" else self.listed_px), np.array(self.is_right, float)
        rows = []
        for low, high in itertools.pairwise(edges):
            there, told = (true >= low) & (true < high), (listed >= low) & (listed < high)
            if there.any() or told.any():
                recall = hit[there].mean() if there.any() else float("nan")
                precision = right[told].mean() if told.any() else float("nan")
                rows.append((low, high, int(there.sum()), float(recall), int(told.sum()), float(precision)))
        return rows


def match(found: pd.DataFrame, truth: pd.DataFrame) -> np.ndarray:
    """Return for each detection the row of the truth it stands for, -1 for none (one to one)."""
    answer = np.full(len(found), -1)
    if not len(found) or not len(truth):
        return answer
    a, b = found[["x_mm", "y_mm"]].to_numpy(), truth[["x_mm", "y_mm"]].to_numpy()
    size_a, size_b = found["diameter_mm"].to_numpy(), truth["diameter_mm"].to_numpy()
    pairs = cKDTree(a).sparse_distance_matrix(
        cKDTree(b), REACH * max(size_a.max(), size_b.max()), output_type="ndarray"
    )
    i, j, gap = pairs["i"], pairs["j"], pairs["v"]
    larger, smaller = np.maximum(size_a[i], size_b[j]), np.minimum(size_a[i], size_b[j])
    keep = (gap <= REACH * larger) & (larger <= RATIO * smaller)
    i, j = i[keep], j[keep]
    cost = gap[keep] / larger[keep] + 0.3 * np.abs(np.log(size_a[i] / size_b[j]))
    for costs in _groups(i, j):
        names_i, names_j = np.unique(i[costs]), np.unique(j[costs])
        table = np.full((len(names_i), len(names_j)), 1e3)
        table[np.searchsorted(names_i, i[costs]), np.searchsorted(names_j, j[costs])] = cost[costs]
        for r, c in zip(*linear_sum_assignment(table), strict=True):
            if table[r, c] < 1e3:
                answer[names_i[r]] = names_j[c]
    return answer


def _groups(i: np.ndarray, j: np.ndarray):
    """Connected groups of possible pairs, so that each assignment is small."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    if not len(i):
        return
    n = i.max() + 1
    graph = coo_matrix((np.ones(len(i)), (i, j + n)), shape=(n + j.max() + 1,) * 2)
    group = connected_components(graph, directed=False)[1][i]
    for number in np.unique(group):
        yield np.flatnonzero(group == number)


def tally_scene(
    tally: Tally,
    found: pd.DataFrame,
    truth: pd.DataFrame,
    marks: pd.DataFrame,
    *,
    area_m2: float,
    limit_mm: tuple[float, float],
    confidence_min: float = 0.5,
    px_mm: float = 0.0,
    mouth_mm: tuple[float, float] | None = None,
) -> None:
    """Add one scene: pits of `limit_mm` count, smaller and larger true pits are neither right nor wrong.

    `mouth_mm` are the same limits in the measure of the list, where the truth measures something else.
    """
    low, high = limit_mm
    pair = match(found, truth)
    sure = found["confidence"].to_numpy() >= confidence_min
    size = truth["diameter_mm"].to_numpy()
    counted = (size >= low) & (size < high) & (truth.get("certainty", pd.Series(3, truth.index)) >= 3).to_numpy()
    hit_rows = np.zeros(len(truth), bool)
    hit_rows[pair[sure & (pair >= 0)]] = True
    tally.hits += int((hit_rows & counted).sum())
    tally.misses += int((~hit_rows & counted).sum())
    found_mm = found["diameter_mm"].to_numpy()
    low, high = mouth_mm or limit_mm
    wrong = sure & (pair < 0) & (found_mm >= low) & (found_mm < high)
    tally.false += int(wrong.sum())
    tally.area_m2 += area_m2
    for kind in name_false(found[wrong], truth, marks):
        tally.false_kinds[kind] = tally.false_kinds.get(kind, 0) + 1
    right = np.flatnonzero(sure & (pair >= 0))
    right = right[counted[pair[right]]]
    listed = np.concatenate([right, np.flatnonzero(wrong)])
    tally.listed_mm += found_mm[listed].tolist()
    tally.listed_px += (found_mm[listed] / px_mm).tolist() if px_mm else []
    tally.is_right += (pair[listed] >= 0).tolist()
    tally.true_mm += size[pair[right]].tolist()
    tally.found_mm += found_mm[right].tolist()
    tally.sd_mm += found["diameter_sd_mm"].to_numpy()[right].tolist() if "diameter_sd_mm" in found else []
    tally.sizes_mm += size[counted].tolist()
    tally.sizes_px += (size[counted] / px_mm).tolist() if px_mm else []
    tally.hit += hit_rows[counted].tolist()
    judged = (found_mm >= low) & (found_mm < high)
    tally.confidence += found["confidence"].to_numpy()[judged].tolist()
    tally.is_real += (pair[judged] >= 0).tolist()
    area_true = float(truth["area_mm2"].to_numpy()[size >= limit_mm[0]].sum()) if "area_mm2" in truth else 0.0
    area_found = float((np.pi / 4 * found_mm[sure & (found_mm >= low)] ** 2).sum())
    tally.true_area += area_true
    tally.found_area += area_found
    if area_true:
        tally.area_error.append(area_found / area_true - 1)


def name_false(found: pd.DataFrame, truth: pd.DataFrame, marks: pd.DataFrame) -> list[str]:
    """Return what each false detection really lies on: a mark's kind, part of a pit, or plain face."""
    names = []
    for row in found.itertuples():
        best, gap_best = "plain face", 1.0
        for table, is_pit in ((truth, True), (marks, False)):
            if not len(table):
                continue
            reach = np.maximum(table["diameter_mm"].to_numpy(), row.diameter_mm) / 2
            gap = np.hypot(table["x_mm"] - row.x_mm, table["y_mm"] - row.y_mm) / reach
            k = int(np.argmin(gap))
            if gap.iloc[k] < gap_best:
                best = "part of a pit" if is_pit else str(table["kind"].iloc[k])
                gap_best = float(gap.iloc[k])
        names.append(best)
    return names
