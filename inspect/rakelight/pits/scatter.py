"""Are the pits strewn by chance, crowded or evenly spaced? A tested statement, not an impression.

Catalogue: `Ground` (where pits could be seen at all), `compare_nearest` (Clark and Evans: nearest
neighbours against chance; below 1 crowded, above 1 evenly spaced), `count_neighbours` (Ripley's L: more
than 0 at a distance means more neighbours within it than chance gives) and `judge_scatter`, which
strews as many pits at random over the same seen face many times and says how often chance looks
as crowded as the real face.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import fft
from scipy.spatial import cKDTree

from ..core.records import FaceMap
from ..core.settings import ZoneSettings

CELLS = 160  # cells of the seen face along its longer side; our choice
N_STEPS = 12  # distances at which neighbours are counted; our choice
PAIRS_PER_PIT = (
    8.0  # the largest distance is kept so short that chance gives about so many neighbours
)
SIDE_SHARE = 0.25  # and no longer than this share of the shorter side (usual rule for Ripley's K, from memory)
SEED = 1
_DONNELLY = (0.0514, 0.0412)


@dataclass(frozen=True, slots=True)
class Ground:
    """The seen face as cells: where a pit could have been found.

    seen : bool (rows, cols); cell_mm : width and height of a cell; overlap : (2 rows, 2 cols) area in mm2
    that the seen face shares with itself shifted by so many cells (for the edge correction).
    """

    seen: np.ndarray
    cell_mm: tuple[float, float]
    overlap: np.ndarray

    @property
    def area_mm2(self) -> float:
        """Seen area."""
        return float(np.count_nonzero(self.seen)) * self.cell_mm[0] * self.cell_mm[1]

    @property
    def perimeter_mm(self) -> float:
        """Length of all edges between seen and not seen, along the cells."""
        padded = np.pad(self.seen, 1)
        n_level, n_upright = (int(np.count_nonzero(np.diff(padded, axis=axis))) for axis in (0, 1))
        return n_level * self.cell_mm[0] + n_upright * self.cell_mm[1]

    @property
    def shorter_side_mm(self) -> float:
        """Shorter side of the whole map."""
        return min(self.seen.shape[1] * self.cell_mm[0], self.seen.shape[0] * self.cell_mm[1])

    def strew(self, n_faces: int, n_pits: int, rng: np.random.Generator) -> np.ndarray:
        """Return (n_faces, n_pits, 2) places x, y in mm, each anywhere on the seen face with the same chance."""
        rows, cols = np.nonzero(self.seen)
        chosen = rng.integers(0, len(rows), (n_faces, n_pits))
        within = rng.random((2, n_faces, n_pits))
        return np.stack(
            [
                (cols[chosen] + within[0]) * self.cell_mm[0],
                (rows[chosen] + within[1]) * self.cell_mm[1],
            ],
            axis=-1,
        )

    def weigh(self, dx_mm: np.ndarray, dy_mm: np.ndarray) -> np.ndarray:
        """Return how many times a pair this far apart must count, since part of such pairs lies outside."""
        u, v = np.abs(dx_mm) / self.cell_mm[0], dy_mm * np.where(dx_mm < 0, -1, 1) / self.cell_mm[1]
        col, row = np.floor(u).astype(np.intp), np.floor(v).astype(np.intp)
        u, v = u - col, v - row
        table, at = self.overlap.ravel(), row * self.overlap.shape[1] + col
        upper, lower = table[at], table[at + self.overlap.shape[1]]
        upper += (table[at + 1] - upper) * u
        lower += (table[at + self.overlap.shape[1] + 1] - lower) * u
        shared = upper + (lower - upper) * v
        return self.area_mm2 / np.maximum(shared, self.area_mm2 * 1e-3)


@dataclass(frozen=True, slots=True)
class Scatter:
    """How the pits of a face lie.

    verdict : crowded, by_chance, even or too_few; chance : share of random faces that depart from chance
    as much; ratio : Clark and Evans, freed of the edge (Donnelly); z : of the plain ratio; reach_mm :
    distance at which the departure is clearest; excess_mm : L(r) - r there; distances_mm, excess,
    low, high : the whole curve with the envelope of the random faces; n_pits : pits tested.
    """

    verdict: str
    chance: float
    n_pits: int
    ratio: float = float("nan")
    z: float = float("nan")
    reach_mm: float = float("nan")
    excess_mm: float = float("nan")
    curve: dict[str, list[float]] = field(default_factory=dict)

    def to_mapping(self) -> dict[str, Any]:
        """Return plain values for the record."""
        return {name: getattr(self, name) for name in self.__slots__}


def lay_ground(face: FaceMap) -> Ground:
    """Return the seen face as cells of equal size; a cell counts when its middle is seen.

    Errors of the answer: the outline of what is seen is right to half a cell (1/160 of the longer side).
    """
    rows_px, cols_px = face.seen.shape
    step = max(1.0, max(rows_px, cols_px) / CELLS)
    rows, cols = max(1, round(rows_px / step)), max(1, round(cols_px / step))
    row = ((np.arange(rows) + 0.5) * rows_px / rows).astype(np.intp)
    col = ((np.arange(cols) + 0.5) * cols_px / cols).astype(np.intp)
    width_mm, height_mm = face.size_mm
    return measure_ground(face.seen[np.ix_(row, col)], (width_mm / cols, height_mm / rows))


def measure_ground(seen: np.ndarray, cell_mm: tuple[float, float]) -> Ground:
    """Return the ground with its overlaps: what it shares with itself when shifted (set covariance)."""
    rows, cols = seen.shape
    shape = fft.next_fast_len(2 * rows + 2, real=True), fft.next_fast_len(2 * cols + 2, real=True)
    waves = fft.rfft2(seen.astype(float), shape)
    overlap = fft.irfft2(np.abs(waves) ** 2, shape) * cell_mm[0] * cell_mm[1]
    return Ground(seen, cell_mm, overlap)


def compare_nearest(xy_mm: np.ndarray, ground: Ground) -> dict[str, float]:
    """Return the mean distance to the nearest pit over the distance chance gives, and how sure.

    Parameters
    ----------
    xy_mm : float (n, 2)
        Places, two or more.
    ground : Ground

    Returns
    -------
    dict
        mean_mm, expected_mm, ratio (Clark and Evans), z, and ratio_edge, where the expected distance
        is freed of the edge's effect.

    Errors of the answer: `ratio` and `z` take no account of the edge and read a few per cent high.
    Source: Clark and Evans 1954; edge term of Donnelly 1978; both from memory, held against worked cases.
    """
    n, area_mm2 = len(xy_mm), ground.area_mm2
    mean_mm = float(cKDTree(xy_mm).query(xy_mm, k=2)[0][:, 1].mean())
    expected_mm = 0.5 * np.sqrt(area_mm2 / n)
    se_mm = np.sqrt((4 - np.pi) / (4 * np.pi)) * np.sqrt(area_mm2) / n
    edge_mm = (_DONNELLY[0] + _DONNELLY[1] / np.sqrt(n)) * ground.perimeter_mm / n
    return {
        "mean_mm": mean_mm,
        "expected_mm": float(expected_mm),
        "ratio": float(mean_mm / expected_mm),
        "z": float((mean_mm - expected_mm) / se_mm),
        "ratio_edge": float(mean_mm / (expected_mm + edge_mm)),
    }


def count_neighbours(xy_mm: np.ndarray, distances_mm: np.ndarray, ground: Ground) -> np.ndarray:
    """Return Ripley's K in mm2 at each distance, for one face (n, 2) or many (faces, n, 2).

    Returns
    -------
    float (..., distances)
        pi r^2 for pits strewn by chance.

    Errors of the answer: translation edge correction, exact for a rectangle.
    Source: Ripley 1977; translation correction of Ohser 1983 (from memory), held against worked values.
    """
    faces = np.asarray(xy_mm, float)
    is_one = faces.ndim == 2
    faces = faces[None] if is_one else faces
    n_faces, n = faces.shape[:2]
    reach_mm = float(distances_mm[-1])
    flat = faces.reshape(-1, 2)
    pairs = lay_side_by_side(flat, np.repeat(np.arange(n_faces), n), reach_mm).query_pairs(
        reach_mm, output_type="ndarray"
    )
    one, other = np.ascontiguousarray(pairs.T)
    dx_mm, dy_mm = (at[other] - at[one] for at in np.ascontiguousarray(flat.T))
    slot = np.searchsorted(distances_mm, np.sqrt(dx_mm * dx_mm + dy_mm * dy_mm), side="left")
    weight = ground.weigh(dx_mm, dy_mm)
    inside = slot < len(distances_mm)
    key = (one // n)[inside] * len(distances_mm) + slot[inside]
    sums = np.bincount(key, weights=weight[inside], minlength=n_faces * len(distances_mm))
    k_mm2 = 2 * ground.area_mm2 / (n * (n - 1)) * sums.reshape(n_faces, -1).cumsum(axis=1)
    return k_mm2[0] if is_one else k_mm2


def lay_side_by_side(xy_mm: np.ndarray, face_of: np.ndarray, reach_mm: float) -> cKDTree:
    """Return one tree of the places of many faces, laid in a row so far apart that no pair in reach bridges them."""
    x_mm = xy_mm[:, 0] + face_of * (np.ptp(xy_mm[:, 0]) + 2 * reach_mm + 1)
    places = np.column_stack([x_mm, xy_mm[:, 1]])
    return cKDTree(places, leafsize=16, balanced_tree=False, compact_nodes=False)


def judge_scatter(
    xy_mm: np.ndarray,
    ground: Ground,
    *,
    diameter_mm: np.ndarray | float = 0.0,
    settings: ZoneSettings = ZoneSettings(),
) -> Scatter:
    """Return whether pits are crowded, strewn by chance or evenly spaced, tested against random faces.

    Parameters
    ----------
    xy_mm : float (n, 2)
        Middles of the pits, mm.
    ground : Ground
        Where pits could be seen.
    diameter_mm : float (n,) or 0
        Pits cannot overlap, which alone would make a face look evenly pitted: neighbours nearer than
        twice the median diameter are taken to be as many as chance gives.
    settings : ZoneSettings
        `n_random` faces; `chance_max` is the level of the test; `tested_max` pits at most are tested (a
        random choice of them: thinning at random leaves L as it is).

    Returns
    -------
    Scatter

    Errors of the answer
    --------------------
    The test looks at distances from the nearest pits to a quarter of the shorter side at most, shorter
    on faces with many pits. `chance` cannot be smaller than 1 over the random faces plus one.

    Source
    ------
    Largest studentised departure of L(r) - r among random faces (global test of Ripley's L; from memory);
    one test for all distances, so that looking at many does not make a find.
    """
    rng = np.random.default_rng(SEED)
    n = len(xy_mm)
    if n < settings.fewest_pits or ground.area_mm2 <= 0:
        return Scatter("too_few", float("nan"), n)
    nearest = compare_nearest(xy_mm, ground)
    tested = xy_mm if n <= settings.tested_max else xy_mm[rng.permutation(n)[: settings.tested_max]]
    n = len(tested)
    least_mm = 2 * float(np.median(diameter_mm))
    distances_mm = _choose_distances(n, ground, least_mm)
    faces = np.concatenate([tested[None], ground.strew(settings.n_random, n, rng)])
    excess = _measure_excess(faces, distances_mm, least_mm, ground)
    random = excess[1:]
    departure = (excess - random.mean(axis=0)) / np.maximum(random.std(axis=0), 1e-9)
    size = np.abs(departure).max(axis=1)
    chance = float((1 + np.count_nonzero(size[1:] >= size[0])) / (1 + settings.n_random))
    at = int(np.abs(departure[0]).argmax())
    verdict = "by_chance"
    if chance <= settings.chance_max:
        verdict = "crowded" if departure[0, at] > 0 else "even"
    return Scatter(
        verdict, chance, len(xy_mm), nearest["ratio_edge"], nearest["z"], float(distances_mm[at]), float(excess[0, at]),
        {
            "distances_mm": distances_mm.round(3).tolist(),
            "excess_mm": excess[0].round(3).tolist(),
            "low_mm": random.min(axis=0).round(3).tolist(),
            "high_mm": random.max(axis=0).round(3).tolist(),
        },
    )  # fmt: skip


def _choose_distances(n: int, ground: Ground, least_mm: float) -> np.ndarray:
    longest_mm = max(np.sqrt(PAIRS_PER_PIT * ground.area_mm2 / (np.pi * n)), 3 * least_mm)
    longest_mm = min(longest_mm, SIDE_SHARE * ground.shorter_side_mm)
    least_mm = min(least_mm, longest_mm / 2)
    return np.linspace(least_mm, longest_mm, N_STEPS + 1)[1:]


def _measure_excess(
    faces: np.ndarray, distances_mm: np.ndarray, least_mm: float, ground: Ground
) -> np.ndarray:
    """L(r) - r in mm per face and distance, neighbours nearer than `least_mm` replaced by what chance gives."""
    steps_mm = np.append(min(least_mm, distances_mm[0] / 2), distances_mm)
    k_mm2 = count_neighbours(faces, steps_mm, ground)
    beyond_mm2 = np.maximum(k_mm2[:, 1:] - k_mm2[:, :1] + np.pi * steps_mm[0] ** 2, 0.0)
    return np.sqrt(beyond_mm2 / np.pi) - distances_mm
