"""How does the later plan lie on the earlier one?

Both plans come from their own scale, so they already agree to a few millimetres. Pits left
open, patches and stains that both surveys list then pull them together. When too few of them
agree to rule out chance, the scales are left as they are and the placing error is larger.

Catalogue: `register_places` (a search over shifts, small turns and scales, then least squares on
what stays put) and `Registration`, which says where a place should be now and how sure.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..core.settings import CompareSettings
from ..core.similarity import fit_similarity
from .match import Places

SEED = 20
N_TRIALS = 600
FEATURES_MAX = 1200
PAIRS_MAX = 6000
SHIFT_FROM, SIMILARITY_FROM, AFFINE_FROM, PLANE_FROM = 3, 4, 10, 30
"""Stable places needed before each kind of movement is fitted (our choice: three to four times
what would just fix it)."""
FIRST_GATE_MM = 3.0
CHANCE_MAX = 0.01
"""An alignment that unrelated faces would reach more often than this is not believed."""


@dataclass(frozen=True, slots=True)
class Registration:
    """Where each place of the earlier plan lies on the later plan.

    matrix : 3 x 3, (x, y, 1) mm of the earlier plan to the later plan. model : scale (left as
    it was), shift, similarity, affine or plane. n_stable : places that agree. residual_sd_mm :
    how well they agree, per axis. n_by_chance : agreements expected on unrelated faces.
    leverage : 3 x 3, for the placing error away from the stable places.
    """

    matrix: np.ndarray
    model: str
    n_stable: int
    residual_sd_mm: float
    n_by_chance: float
    leverage: np.ndarray

    @property
    def is_aligned(self) -> bool:
        """Whether stable places were found, more than chance would give."""
        return self.model != "scale"

    def place(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return where places of the earlier plan should be on the later plan, mm."""
        return _move(self.matrix, np.asarray(x_mm, float), np.asarray(y_mm, float))

    def place_back(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return where places of the later plan lay on the earlier plan, mm."""
        inverse = np.linalg.inv(self.matrix)
        return _move(inverse, np.asarray(x_mm, float), np.asarray(y_mm, float))

    def place_sd(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the standard uncertainty per axis of `place`, mm (n,)."""
        design = np.column_stack([x_mm, y_mm, np.ones(len(x_mm))])
        return np.sqrt(np.maximum(np.einsum("ni,ij,nj->n", design, self.leverage, design), 0))

    def as_mapping(self) -> dict[str, Any]:
        """Return plain numbers and words for the saved record."""
        shift_mm = self.matrix[:2, 2] / self.matrix[2, 2]
        turn_deg = np.degrees(np.arctan2(self.matrix[1, 0], self.matrix[0, 0]))
        return {
            "model": self.model,
            "matrix": self.matrix.tolist(),
            "n_stable": int(self.n_stable),
            "residual_sd_mm": float(self.residual_sd_mm),
            "n_by_chance": float(self.n_by_chance),
            "shift_mm": shift_mm.tolist(),
            "turn_deg": float(turn_deg),
        }


def register_places(
    before: Places, after: Places, *, settings: CompareSettings | None = None
) -> Registration:
    """Return how the later plan lies on the earlier one, from places that both list.

    Parameters
    ----------
    before, after : pits and marks of each survey, mm on its own plan. What was closed or is new
        does no harm as long as some places stay.
    settings : search range, placing error and gates.

    Returns
    -------
    Registration; `model` is "scale" when nothing certain was found.

    Errors of the answer
    --------------------
    `place_sd` grows away from the stable places. Unrelated faces with very many pits can agree by
    chance; `n_by_chance` says how many would.

    Source
    ------
    Random sample consensus: Fischler and Bolles, 1981; iterated closest points: Besl and McKay,
    1992 (both from memory). Thresholds: our choice.
    """
    settings = settings or CompareSettings()
    before, after = _choose_features(before), _choose_features(after)
    rows, cols, weight = _list_pairs(before, after, settings)
    if len(rows) < SHIFT_FROM:
        return _keep_scale(settings, n_by_chance=0.0)
    start = _search(before.xy_mm[rows], after.xy_mm[cols], weight, settings)
    return _refine(before, after, start, settings)


def _choose_features(places: Places) -> Places:
    good = np.flatnonzero(np.isfinite(places.diameter_mm) & (places.diameter_mm > 0))
    largest = good[np.argsort(-places.diameter_mm[good], kind="stable")[:FEATURES_MAX]]
    return places.take(largest)


def _list_pairs(before, after, settings):
    """Pairs that could be one place, with a weight: alike in size and with few rivals."""
    if not len(before) or not len(after):
        return np.empty(0, np.intp), np.empty(0, np.intp), np.empty(0)
    from scipy.spatial import cKDTree

    near = cKDTree(before.xy_mm).sparse_distance_matrix(
        cKDTree(after.xy_mm), settings.search_mm, output_type="ndarray"
    )
    rows, cols = near["i"].astype(np.intp), near["j"].astype(np.intp)
    ratio = np.log(after.diameter_mm[cols] / before.diameter_mm[rows])
    rivals = (
        np.bincount(rows, minlength=len(before))[rows]
        * np.bincount(cols, minlength=len(after))[cols]
    )
    weight = np.exp(-0.5 * (ratio / (2 * settings.size_sd_share)) ** 2) / np.maximum(rivals, 1)
    best = np.argsort(-weight, kind="stable")[:PAIRS_MAX]
    best = best[weight[best] > 0]
    return rows[best], cols[best], weight[best]


def _search(start, goal, weight, settings) -> np.ndarray:
    """The 3 x 3 movement within the allowed range that most pairs agree on."""
    rng = np.random.default_rng(SEED)
    draw = rng.choice(len(weight), (N_TRIALS, 2), p=weight / weight.sum())
    turns = _similarity_of_two(
        start[draw[:, 0]], start[draw[:, 1]], goal[draw[:, 0]], goal[draw[:, 1]]
    )
    shifts = np.column_stack([np.ones(N_TRIALS) + 0j, _as_complex(goal - start)[draw[:, 0]]])
    trials = np.vstack([[[1 + 0j, 0j]], turns[_is_allowed(turns, settings)], shifts])
    z_start, z_goal = _as_complex(start), _as_complex(goal)
    scores = np.array([_score(t, z_start, z_goal, weight) for t in trials])
    # The scales' own word stands unless another movement is clearly better.
    scores[0] *= 1.1
    turn, shift = trials[int(np.argmax(scores))]
    return np.array(
        [[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag], [0, 0, 1]]
    )


def _score(trial, z_start, z_goal, weight) -> float:
    miss2 = np.abs(trial[0] * z_start + trial[1] - z_goal) ** 2
    return float(np.sum(weight * np.exp(-miss2 / (2 * (FIRST_GATE_MM / 2) ** 2))))


def _as_complex(xy_mm: np.ndarray) -> np.ndarray:
    return xy_mm[:, 0] + 1j * xy_mm[:, 1]


def _similarity_of_two(a, b, a_goal, b_goal) -> np.ndarray:
    """Turn-and-scale and shift (complex, n x 2) that carry a, b onto their goals."""
    base, goal = _as_complex(b - a), _as_complex(b_goal - a_goal)
    turn = np.divide(goal, base, out=np.zeros_like(base), where=np.abs(base) > 0)
    return np.column_stack([turn, _as_complex(a_goal) - turn * _as_complex(a)])


def _is_allowed(trials: np.ndarray, settings: CompareSettings) -> np.ndarray:
    scale = np.abs(trials[:, 0])
    turn_deg = np.abs(np.degrees(np.angle(trials[:, 0])))
    return (np.abs(scale - 1) <= settings.scale_max_share) & (turn_deg <= settings.rotation_max_deg)


def _refine(before, after, matrix, settings) -> Registration:
    """Least squares on mutual nearest places, with a gate that closes in."""
    gate_mm, model = FIRST_GATE_MM, "scale"
    pairs, sd_mm = (np.empty(0, np.intp), np.empty(0, np.intp)), settings.frame_sd_mm
    for _ in range(12):
        pairs = _mutual_nearest(before, after, matrix, gate_mm)
        model = _choose_model(len(pairs[0]))
        if model == "scale":
            break
        matrix = _fit(before.xy_mm[pairs[0]], after.xy_mm[pairs[1]], model)
        sd_mm = _residual_sd(before.xy_mm[pairs[0]], after.xy_mm[pairs[1]], matrix, settings)
        gate_mm = max(3.5 * sd_mm, 1.5 * settings.place_sd_mm)
    n_by_chance = _expect_by_chance(before, after, matrix, gate_mm)
    if model == "scale" or _is_by_chance(before, matrix, len(pairs[0]), n_by_chance, gate_mm):
        return _keep_scale(settings, n_by_chance=n_by_chance)
    leverage = _find_leverage(before.xy_mm[pairs[0]], sd_mm, model)
    return Registration(matrix, model, len(pairs[0]), float(sd_mm), float(n_by_chance), leverage)


def _mutual_nearest(before, after, matrix, gate_mm) -> tuple[np.ndarray, np.ndarray]:
    from scipy.spatial import cKDTree

    moved = np.column_stack(_move(matrix, before.x_mm, before.y_mm))
    distance, to = cKDTree(after.xy_mm).query(moved)
    _, back = cKDTree(moved).query(after.xy_mm)
    alike = np.abs(np.log(after.diameter_mm[to] / before.diameter_mm)) < np.log(3)
    keep = np.flatnonzero((back[to] == np.arange(len(moved))) & (distance <= gate_mm) & alike)
    return keep, to[keep]


def _choose_model(n_pairs: int) -> str:
    steps = (
        (PLANE_FROM, "plane"),
        (AFFINE_FROM, "affine"),
        (SIMILARITY_FROM, "similarity"),
        (SHIFT_FROM, "shift"),
    )
    return next((name for least, name in steps if n_pairs >= least), "scale")


def _fit(start: np.ndarray, goal: np.ndarray, model: str) -> np.ndarray:
    """The 3 x 3 matrix of least squares that carries start (n, 2) onto goal (n, 2)."""
    if model == "shift":
        matrix = np.eye(3)
        matrix[:2, 2] = np.median(goal - start, axis=0)
        return matrix
    if model == "similarity":
        return fit_similarity(start, goal)
    design = np.column_stack([start, np.ones(len(start))])
    affine = np.vstack([np.linalg.lstsq(design, goal, rcond=None)[0].T, [0, 0, 1]])
    return affine if model == "affine" else _fit_plane(start, goal, affine)


def _fit_plane(start, goal, affine) -> np.ndarray:
    """Homography by linear least squares in scaled coordinates, which stays near `affine`."""
    middle, reach = start.mean(axis=0), max(float(np.ptp(start)), 1.0)
    scaled = (start - middle) / reach
    moved = np.column_stack(_move(affine, start[:, 0], start[:, 1]))
    # Near-identity in the plane of `moved`: goal (1 + p.s) = moved + affine change.
    left = np.zeros((2 * len(start), 8))
    design = np.column_stack([scaled, np.ones(len(start))])
    left[0::2, 0:3], left[1::2, 3:6] = design, design
    left[0::2, 6:8] = -goal[:, :1] * scaled
    left[1::2, 6:8] = -goal[:, 1:] * scaled
    change = np.linalg.lstsq(left, (goal - moved).ravel(), rcond=None)[0]
    to_scaled = np.array(
        [[1 / reach, 0, -middle[0] / reach], [0, 1 / reach, -middle[1] / reach], [0, 0, 1]]
    )
    bend = np.vstack([change[:6].reshape(2, 3), [*change[6:], 0.0]])
    return affine + bend @ to_scaled


def _residual_sd(start, goal, matrix, settings) -> float:
    miss = goal - np.column_stack(_move(matrix, start[:, 0], start[:, 1]))
    robust = 1.4826 * float(np.median(np.abs(miss)))
    return max(robust, 0.25 * settings.place_sd_mm)


def _find_leverage(start, sd_mm, model) -> np.ndarray:
    """Covariance of the fitted movement, so that error = sqrt(p.leverage.p) for p = (x, y, 1)."""
    if model == "shift":
        leverage = np.zeros((3, 3))
        leverage[2, 2] = sd_mm**2 / len(start)
        return leverage
    design = np.column_stack([start, np.ones(len(start))])
    return sd_mm**2 * np.linalg.pinv(design.T @ design)


def _expect_by_chance(before, after, matrix, gate_mm) -> float:
    """Mutual agreements expected if the later places lay anywhere on the face."""
    x_mm, y_mm = _move(matrix, before.x_mm, before.y_mm)
    inside = (x_mm >= after.x_mm.min()) & (x_mm <= after.x_mm.max())
    inside &= (y_mm >= after.y_mm.min()) & (y_mm <= after.y_mm.max())
    area_mm2 = max(np.ptp(after.x_mm) * np.ptp(after.y_mm), 1.0)
    hit = 1 - np.exp(-len(after) * np.pi * gate_mm**2 / area_mm2)
    return float(min(np.count_nonzero(inside), len(after)) * hit)


def _is_by_chance(before, matrix, n_pairs, n_by_chance, gate_mm) -> bool:
    """Whether the best of all movements searched this far would agree as well on unrelated faces."""
    from scipy.special import pdtrc

    moved = np.column_stack(_move(matrix, before.x_mm, before.y_mm))
    reach_mm = float(np.max(np.hypot(*(moved - before.xy_mm).T)))
    # Shift in two directions, turn and scale: as many independent tries as gates fit in the reach.
    n_tries = (1 + reach_mm / gate_mm) ** 4
    return bool(n_tries * pdtrc(n_pairs - 1, n_by_chance) > CHANCE_MAX)


def _keep_scale(settings: CompareSettings, *, n_by_chance: float) -> Registration:
    leverage = np.zeros((3, 3))
    leverage[2, 2] = settings.frame_sd_mm**2
    return Registration(np.eye(3), "scale", 0, settings.frame_sd_mm, n_by_chance, leverage)


def _move(matrix: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    depth = matrix[2, 0] * x_mm + matrix[2, 1] * y_mm + matrix[2, 2]
    return (
        (matrix[0, 0] * x_mm + matrix[0, 1] * y_mm + matrix[0, 2]) / depth,
        (matrix[1, 0] * x_mm + matrix[1, 1] * y_mm + matrix[1, 2]) / depth,
    )
