"""One photo laid on the slab from fiducials of known place: plane, lens and how sure.

The unknowns are the plane's homography, the first radial term of the lens, and for every mark how
far it really lies from where it was measured to lie and how it is turned. A mark's own shape is
sharp (a printer's tenth of a millimetre) while its measured place is good to half a millimetre or
so, and each is weighted by that.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ..core.errors import ScaleError
from ..core.records import Lens
from .fiducials import Fiducial
from .plane import apply_plane, fit_plane, make_grid, measure_log_scale, straighten_points

CORNER_SD_PX = 0.03  # made-up photos: scatter of a corner, on top of what its sides show
# Sharpening and over-exposed paper make a black square larger or smaller all round.
RIM_PRIOR_SD_PX = 0.2
N_PLANE = 9  # eight of the homography and one of the lens; then four for every mark
LENS_PRIOR_SD = 0.08  # k1 at the photo's corner: a wide lens without correction is near -0.1
LENS_HARM_MAX_PX = 1.0  # the lens is corrected when its doubt moves the photo's corner less,
LENS_STANDS_OUT = 3.0  # or when it stands this many standard uncertainties out


@dataclass(frozen=True, slots=True)
class MarkPlace:
    """Where a fiducial lies on the slab: the middle, side and turn of its black square.

    turn_deg : clockwise, 0 with its own top to the top of the plan; NaN when nobody measured it.
    place_sd_mm : how well its middle is known.
    """

    mark_id: int
    middle_mm: tuple[float, float]
    side_mm: float
    turn_deg: float = math.nan
    place_sd_mm: float = 0.5

    def corners_mm(
        self, turn_rad: float = 0.0, away_mm: tuple[float, float] = (0.0, 0.0)
    ) -> np.ndarray:
        """Return its corners (4, 2) on the slab when turned and moved so far."""
        half = self.side_mm / 2
        square = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float)
        cos, sin = math.cos(turn_rad), math.sin(turn_rad)
        turned = square @ np.array([[cos, sin], [-sin, cos]])
        return turned + self.middle_mm + np.asarray(away_mm)


@dataclass(frozen=True, slots=True)
class Alignment:
    """How a photo lies on the slab. `rms_mm` : misfit of the marks; `relative_sd` : of a length."""

    to_slab: np.ndarray
    lens: Lens | None
    is_lens_known: bool
    rms_mm: float
    relative_sd: float
    misfits_mm: dict[int, float] = field(default_factory=dict)


def align_marks(
    seen: Sequence[Fiducial],
    places: Sequence[MarkPlace],
    shape_px: tuple[int, int],
    *,
    lens: Lens | None = None,
    size_mm: tuple[float, float] | None = None,
) -> Alignment:
    """Return how the photo lies on the slab, from the fiducials seen in it.

    Parameters
    ----------
    seen : fiducials found in the photo; those without a place are left out.
    places : where fiducials lie on the slab.
    shape_px : the photo's rows and columns.
    lens : a lens calibrated before; when None it is estimated where the marks allow.
    size_mm : the face, over which the doubt of the scale is averaged; default the marks' extent.

    Errors of the answer: on made-up photos 0.05-0.3 mm between marks; beyond the marks it grows
    with the square of the distance, and so does a lens that was not corrected.

    Source: least squares with priors (the marks' measured places, a usual lens), our choice;
    radial lens term after Brown, Decentering distortion of lenses, 1966 (from memory).
    """
    by_id = {place.mark_id: place for place in places}
    pairs = [(fiducial, by_id[fiducial.mark_id]) for fiducial in seen if fiducial.mark_id in by_id]
    if not pairs:
        raise ScaleError("None of the marks was found in the photo; keep them sharp and uncovered.")
    problem = _Problem(pairs, shape_px, lens)
    bent = problem.solve(has_lens=lens is None)
    known = lens is not None or _is_lens_useful(bent, problem)
    best = bent if known or lens is not None else problem.solve(has_lens=False)
    to_slab = problem.to_slab(best.x)
    used_lens = lens or (problem.make_lens(best.k1) if known else None)
    misfits = problem.measure_misfits(best.x, to_slab, used_lens)
    size_mm = size_mm or problem.extent_mm
    return Alignment(
        to_slab=to_slab,
        lens=used_lens,
        is_lens_known=known,
        rms_mm=float(np.sqrt(np.mean(np.square(list(misfits.values()))))),
        relative_sd=problem.measure_scale_sd(best, size_mm),
        misfits_mm=misfits,
    )


@dataclass(frozen=True, slots=True)
class _Solution:
    x: np.ndarray
    covariance: np.ndarray
    k1: float
    k1_sd: float


class _Problem:
    """The least squares problem of one photo; numbers inside are scaled to be near one."""

    def __init__(self, pairs, shape_px, lens):
        self.pairs, self.shape_px, self.lens = pairs, shape_px, lens
        self.centre_px = np.array([(shape_px[1] - 1) / 2, (shape_px[0] - 1) / 2])
        self.unit_px = math.hypot(*self.centre_px)
        middles = np.array([place.middle_mm for _, place in pairs])
        reach = max(float(np.ptp(middles, axis=0).max()), max(p.side_mm for _, p in pairs))
        self.middle_mm, self.unit_mm = middles.mean(axis=0), reach
        self.seen = straighten_points(lens, np.vstack([f.corners_px for f, _ in pairs]))
        low, high = middles.min(axis=0), middles.max(axis=0)
        self.extent_mm = tuple(np.maximum(high - low, pairs[0][1].side_mm))
        self.outward = np.vstack([_point_outward(f.corners_px) for f, _ in pairs])
        self.sd_px = np.repeat([math.hypot(f.corner_sd_px, CORNER_SD_PX) for f, _ in pairs], 8)

    def make_lens(self, k1: float) -> Lens:
        """Return the estimated lens."""
        x_px, y_px = self.centre_px.tolist()
        return Lens(float(k1), 0.0, (x_px, y_px), self.unit_px, basis="marks")

    def to_slab(self, x: np.ndarray) -> np.ndarray:
        """Return the homography from photo pixels to slab mm."""
        to_unit_mm = _scale_matrix(-self.middle_mm / self.unit_mm, 1 / self.unit_mm)
        from_unit_px = _scale_matrix(self.centre_px, self.unit_px)
        matrix = np.linalg.inv(from_unit_px @ np.append(x[:8], 1).reshape(3, 3) @ to_unit_mm)
        return matrix / matrix[2, 2]

    def solve(self, *, has_lens: bool) -> _Solution:
        """Return the best fit, with or without a lens term."""
        from scipy.optimize import least_squares

        start = self._guess()
        fit = least_squares(
            self._residuals, start, loss="soft_l1", f_scale=4.0, x_scale="jac",
            kwargs={"has_lens": has_lens},
        )  # fmt: skip
        grip = fit.jac.T @ fit.jac
        covariance = np.linalg.pinv(grip, hermitian=True)
        return _Solution(fit.x, covariance, float(fit.x[8]), math.sqrt(covariance[8, 8]))

    def measure_misfits(self, x, to_slab, lens) -> dict[int, float]:
        """Return per mark how far its middle lies from where it was said to lie, in mm."""
        misfits = {}
        for k, (fiducial, place) in enumerate(self.pairs):
            _, _, turn, rim_px = x[N_PLANE + 4 * k : N_PLANE + 4 * k + 4]
            true_px = fiducial.corners_px - rim_px * self.outward[4 * k : 4 * k + 4]
            found = apply_plane(to_slab, straighten_points(lens, true_px))
            away = found - place.corners_mm(turn)
            misfits[place.mark_id] = float(np.sqrt(np.mean(np.sum(away**2, axis=1))))
        return misfits

    def measure_scale_sd(self, fit: _Solution, size_mm: tuple[float, float]) -> float:
        """Return the relative standard uncertainty of lengths, averaged over the face."""
        to_slab = self.to_slab(fit.x)
        grid_px = apply_plane(np.linalg.inv(to_slab), make_grid(size_mm, 5))
        inside = ((grid_px > 0) & (grid_px < self.shape_px[::-1])).all(axis=1)
        grid_px = grid_px[inside] if inside.any() else self.centre_px[None]
        reference, slopes = measure_log_scale(to_slab, grid_px), []
        for k in range(8):
            step = 0.01 * math.sqrt(fit.covariance[k, k]) + 1e-9
            moved = fit.x.copy()
            moved[k] += step
            slopes.append((measure_log_scale(self.to_slab(moved), grid_px) - reference) / step)
        slopes = np.array(slopes)
        variance = np.einsum("kn,kl,ln->n", slopes, fit.covariance[:8, :8], slopes)
        return float(np.sqrt(np.mean(np.maximum(variance, 0))))

    def _residuals(self, x: np.ndarray, *, has_lens: bool) -> np.ndarray:
        marks = x[N_PLANE:].reshape(-1, 4)
        corners = np.vstack(
            [
                place.corners_mm(turn, (dx, dy))
                for (_, place), (dx, dy, turn, _) in zip(self.pairs, marks, strict=True)
            ]
        )
        unit = apply_plane(
            np.append(x[:8], 1).reshape(3, 3), (corners - self.middle_mm) / self.unit_mm
        )
        k1 = x[8] if has_lens else 0.0
        unit = unit * (1 + k1 * np.sum(unit**2, axis=1, keepdims=True))
        places_px = unit * self.unit_px + self.centre_px
        places_px += np.repeat(marks[:, 3], 4)[:, None] * self.outward
        away_px = (places_px - self.seen).ravel() / self.sd_px
        known = [
            [dx / place.place_sd_mm, dy / place.place_sd_mm, self._doubt_turn(place, turn)]
            for (_, place), (dx, dy, turn, _) in zip(self.pairs, marks, strict=True)
        ]
        rims = marks[:, 3] / RIM_PRIOR_SD_PX
        return np.concatenate([away_px, np.ravel(known), rims, [x[8] / LENS_PRIOR_SD]])

    def _doubt_turn(self, place: MarkPlace, turn: float) -> float:
        if math.isnan(place.turn_deg):
            return 0.0 if len(self.pairs) > 1 else turn / math.radians(2.0)
        away = math.remainder(turn - math.radians(place.turn_deg), 2 * math.pi)
        return away / math.radians(max(0.5, math.degrees(place.place_sd_mm / place.side_mm)))

    def _guess(self) -> np.ndarray:
        """Return a start: the largest mark alone, then turned and moved so that middles fit."""
        first = int(np.argmax([fiducial.side_px for fiducial, _ in self.pairs]))
        turn = self.pairs[first][1].turn_deg
        turn = 0.0 if math.isnan(turn) else math.radians(turn)
        corners = self.seen[4 * first : 4 * first + 4]
        to_slab = fit_plane(corners, self.pairs[first][1].corners_mm(turn))
        if len(self.pairs) > 1:
            to_slab = self._fit_middles(to_slab)
        turns = [
            _read_turn(apply_plane(to_slab, self.seen[4 * k : 4 * k + 4]))
            for k in range(len(self.pairs))
        ]
        known = np.vstack([p.corners_mm(t) for (_, p), t in zip(self.pairs, turns, strict=True)])
        to_photo = fit_plane(
            (known - self.middle_mm) / self.unit_mm, (self.seen - self.centre_px) / self.unit_px
        )
        marks = np.column_stack([np.zeros((len(turns), 2)), turns, np.zeros(len(turns))])
        return np.concatenate([to_photo.ravel()[:8], [0.0], marks.ravel()])

    def _fit_middles(self, to_slab: np.ndarray) -> np.ndarray:
        """Return the plane turned, sized and moved so that the marks' middles fit their places."""
        found = apply_plane(to_slab, np.array([f.middle_px for f, _ in self.pairs]))
        known = np.array([place.middle_mm for _, place in self.pairs])
        a = (found - found.mean(axis=0)) @ [1, 1j]
        b = (known - known.mean(axis=0)) @ [1, 1j]
        factor = np.vdot(a, b) / np.vdot(a, a)
        shift = known.mean(axis=0) @ [1, 1j] - factor * (found.mean(axis=0) @ [1, 1j])
        turn = [[factor.real, -factor.imag, shift.real], [factor.imag, factor.real, shift.imag]]
        return np.vstack([turn, [0, 0, 1]]) @ to_slab


def _is_lens_useful(fit: _Solution, problem: _Problem) -> bool:
    return (
        fit.k1_sd * problem.unit_px < LENS_HARM_MAX_PX or abs(fit.k1) > LENS_STANDS_OUT * fit.k1_sd
    )


def _point_outward(corners_px: np.ndarray) -> np.ndarray:
    """Return where corners (4, 2) go when every side moves outward by one pixel."""
    ahead = np.roll(corners_px, -1, axis=0) - corners_px
    ahead /= np.hypot(*ahead.T)[:, None]
    before = np.roll(ahead, 1, axis=0)
    sine = before[:, 0] * ahead[:, 1] - before[:, 1] * ahead[:, 0]
    return (before - ahead) / sine[:, None]


def _read_turn(corners_mm: np.ndarray) -> float:
    right = corners_mm[1] - corners_mm[0] + corners_mm[2] - corners_mm[3]
    return math.atan2(right[1], right[0])


def _scale_matrix(shift: np.ndarray, factor: float) -> np.ndarray:
    return np.array([[factor, 0, shift[0]], [0, factor, shift[1]], [0, 0, 1.0]])
