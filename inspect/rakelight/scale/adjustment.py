"""All photos of one face laid on the slab together, so that what two of them show agrees.

Unknown are one homography per photo, one lens term for all, and for every mark its turn and how
far it lies from where it was measured. Known are the marks' corners where they are seen and the
ties between photos; everything is weighed in millimetres on the slab.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..core.records import Lens
from .alignment import LENS_HARM_MAX_PX, LENS_STANDS_OUT, RIM_PRIOR_SD_PX, MarkPlace
from .fiducials import Fiducial
from .plane import apply_plane, measure_log_scale, straighten_points
from .ties import LOOK_PX, Ties

MARK_CORNER_SD_PX = 0.08
TIE_SD_PX = 0.5  # of the picture the features were found in
LENS_PRIOR_SD = 0.05
WRONG_TIE_SDS = 4.0


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Where every photo lies: homographies to slab mm (None: not placed), lens, and the misfits.

    tie_rms_mm : between photos; mark_rms_mm : of the marks' measured places; n_ties : kept.
    """

    to_slab: tuple[np.ndarray | None, ...]
    lens: Lens | None
    tie_rms_mm: float
    mark_rms_mm: float
    n_ties: int
    misfits_mm: dict[int, float]


def adjust_photos(
    starts: Sequence[np.ndarray | None],
    seen: Sequence[Sequence[Fiducial]],
    places: Sequence[MarkPlace],
    ties: Sequence[Ties],
    shape_px: tuple[int, int],
    *,
    guess: Lens,
    lens: Lens | None = None,
) -> Adjusted:
    """Return where the photos lie when marks and ties are all fitted together.

    Parameters
    ----------
    starts : a first homography to slab mm per photo; None leaves a photo out.
    seen : the fiducials seen in each photo.
    places : where fiducials lie on the slab.
    ties : places shared by pairs of photos.
    shape_px : the photos' rows and columns (one camera).
    guess : the lens the starts were made with; its k1 is where the search begins.
    lens : a lens calibrated before; when None one radial term is estimated.

    Errors of the answer: on made-up photos 0.1-0.3 mm in the middle of a 3 m top with marks near
    its ends.

    Source: least squares over all photos; our own choice of unknowns.
    """
    problem = _Problem(starts, seen, places, ties, shape_px, lens=lens)
    x = problem.solve(problem.start(guess), has_lens=lens is None)
    problem.drop_wrong_ties(x)
    x = problem.solve(x, has_lens=lens is None)
    if lens is None and not problem.is_lens_sure(x):
        x[-1] = 0.0
        x = problem.solve(x, has_lens=False)
    return problem.report(x)


class _Problem:
    """The joint least squares problem.

    `x` holds eight numbers a photo (its plane), three a mark (move and turn), one a mark seen in
    a photo (how much larger its black square looks), and the lens term.
    """

    def __init__(self, starts, seen, places, ties, shape_px, *, lens):
        self.photos = [k for k, start in enumerate(starts) if start is not None]
        self.starts, self.shape_px, self.lens = starts, shape_px, lens
        number = {photo: k for k, photo in enumerate(self.photos)}
        self.centre_px = np.array([(shape_px[1] - 1) / 2, (shape_px[0] - 1) / 2])
        self.unit_px = math.hypot(*self.centre_px)
        by_id = {place.mark_id: place for place in places}
        rows = [
            (number[photo], fiducial)
            for photo in self.photos
            for fiducial in seen[photo]
            if fiducial.mark_id in by_id
        ]
        self.marks = [by_id[key] for key in sorted({f.mark_id for _, f in rows})]
        self.n_before_rims = 8 * len(self.photos) + 3 * len(self.marks)
        order = {place.mark_id: k for k, place in enumerate(self.marks)}
        self.mark_photo = np.array([k for k, _ in rows], int)
        self.mark_index = np.array([order[f.mark_id] for _, f in rows], int)
        self.mark_px = np.array([f.corners_px for _, f in rows]).reshape(-1, 4, 2)
        ties = [pair for pair in ties if pair.first in number and pair.second in number]
        self.first = np.repeat([number[t.first] for t in ties], [len(t.first_px) for t in ties])
        self.second = np.repeat([number[t.second] for t in ties], [len(t.first_px) for t in ties])
        self.first, self.second = self.first.astype(int), self.second.astype(int)
        self.first_px = np.vstack([np.empty((0, 2)), *(t.first_px for t in ties)])
        self.second_px = np.vstack([np.empty((0, 2)), *(t.second_px for t in ties)])
        middle = [apply_plane(starts[k], self.centre_px)[0] for k in self.photos]
        self.middle_mm, self.unit_mm = np.mean(middle, axis=0), 500.0
        scales = [measure_log_scale(starts[k], self.centre_px)[0] for k in self.photos]
        self.mm_per_px = float(np.exp(np.mean(scales)))
        self.tie_sd_mm = TIE_SD_PX * max(1.0, max(shape_px) / LOOK_PX) * self.mm_per_px
        self.mark_sd_mm = MARK_CORNER_SD_PX * self.mm_per_px

    def start(self, guess: Lens) -> np.ndarray:
        """Return the first guess from the starting homographies."""
        planes = []
        to_px = np.diag([self.unit_px, self.unit_px, 1.0])
        to_px[:2, 2] = self.centre_px
        to_unit = np.diag([1 / self.unit_mm, 1 / self.unit_mm, 1.0])
        to_unit[:2, 2] = -self.middle_mm / self.unit_mm
        for photo in self.photos:
            plane = to_unit @ self.starts[photo] @ to_px
            planes.append((plane / plane[2, 2]).ravel()[:8])
        turns = np.zeros(len(self.marks))
        for k in range(len(self.mark_photo)):
            straight = straighten_points(guess, self.mark_px[k])
            corners = apply_plane(self.starts[self.photos[self.mark_photo[k]]], straight)
            right = corners[1] - corners[0] + corners[2] - corners[3]
            turns[self.mark_index[k]] = math.atan2(right[1], right[0])
        marks = np.column_stack([np.zeros((len(turns), 2)), turns])
        rims = np.zeros(len(self.mark_photo))
        k1 = 0.0 if self.lens else guess.k1
        return np.concatenate([np.ravel(planes), marks.ravel(), rims, [k1]])

    def solve(self, x: np.ndarray, *, has_lens: bool) -> np.ndarray:
        """Return the best fit from a guess."""
        from scipy.optimize import least_squares

        free = np.ones(len(x), bool)
        free[-1] = has_lens
        if not self.marks:
            free[:8] = False  # without a mark the first photo holds the frame

        def fill(part: np.ndarray) -> np.ndarray:
            whole = x.copy()
            whole[free] = part
            return whole

        fit = least_squares(
            lambda part: self._residuals(fill(part)),
            x[free],
            jac=lambda part: self._slopes(fill(part))[:, free],
            loss="soft_l1",
            f_scale=2.0,
            x_scale="jac",
            tr_solver="lsmr",
            max_nfev=60,
        )
        return fill(fit.x)

    def is_lens_sure(self, x: np.ndarray) -> bool:
        """Return whether the lens term stands out, or is known well enough to do no harm."""
        slopes = self._slopes(x).toarray()
        k1_sd = math.sqrt(np.linalg.pinv(slopes.T @ slopes, hermitian=True)[-1, -1])
        return k1_sd * self.unit_px < LENS_HARM_MAX_PX or abs(x[-1]) > LENS_STANDS_OUT * k1_sd

    def drop_wrong_ties(self, x: np.ndarray) -> None:
        """Leave out ties that do not agree with the rest."""
        away = np.hypot(*self._tie_gaps(x).T)
        limit = max(WRONG_TIE_SDS * self.tie_sd_mm, 4 * 1.2 * np.median(away)) if len(away) else 0
        keep = away < limit
        self.first, self.second = self.first[keep], self.second[keep]
        self.first_px, self.second_px = self.first_px[keep], self.second_px[keep]

    def report(self, x: np.ndarray) -> Adjusted:
        """Return homographies in photo pixels and mm, the lens, and the misfits."""
        from_px = np.diag([1 / self.unit_px, 1 / self.unit_px, 1.0])
        from_px[:2, 2] = -self.centre_px / self.unit_px
        to_mm = np.diag([self.unit_mm, self.unit_mm, 1.0])
        to_mm[:2, 2] = self.middle_mm
        to_slab: list[np.ndarray | None] = [None] * len(self.starts)
        for k, photo in enumerate(self.photos):
            plane = to_mm @ np.append(x[8 * k : 8 * k + 8], 1).reshape(3, 3) @ from_px
            to_slab[photo] = plane / plane[2, 2]
        gaps = self._tie_gaps(x)
        away = self._mark_gaps(x, is_moved=False)
        misfits: dict[int, float] = {}
        for index, gap in zip(self.mark_index, away, strict=True):
            rms = float(np.sqrt(np.mean(np.sum(gap**2, axis=1))))
            misfits[self.marks[index].mark_id] = max(rms, misfits.get(self.marks[index].mark_id, 0))
        return Adjusted(
            to_slab=tuple(to_slab),
            lens=self.lens or self._make_lens(x),
            tie_rms_mm=float(np.sqrt(np.mean(np.sum(gaps**2, axis=1)))) if len(gaps) else 0.0,
            mark_rms_mm=float(np.sqrt(np.mean(np.sum(away**2, axis=-1))))
            if len(away)
            else math.nan,
            n_ties=len(gaps),
            misfits_mm=misfits,
        )

    def _make_lens(self, x: np.ndarray) -> Lens | None:
        x_px, y_px = self.centre_px.tolist()
        return Lens(float(x[-1]), 0.0, (x_px, y_px), self.unit_px, basis="marks") if x[-1] else None

    def _straighten(self, xy_px: np.ndarray, k1: float) -> np.ndarray:
        """Return straight-line places in units from the photo's middle."""
        lens = self.lens or Lens(k1, 0.0, tuple(self.centre_px), self.unit_px)
        return (straighten_points(lens, xy_px) - self.centre_px) / self.unit_px

    def _place(self, x: np.ndarray, photo: np.ndarray, unit: np.ndarray) -> np.ndarray:
        """Return slab mm of straight-line places, each in its own photo."""
        planes = self._planes(x)[photo]
        lifted = np.column_stack([unit, np.ones(len(unit))])
        at = np.einsum("nij,nj->ni", planes, lifted)
        return at[:, :2] / at[:, 2:] * self.unit_mm + self.middle_mm

    def _planes(self, x: np.ndarray) -> np.ndarray:
        flat = x[: 8 * len(self.photos)].reshape(-1, 8)
        return np.column_stack([flat, np.ones(len(flat))]).reshape(-1, 3, 3)

    def _tie_gaps(self, x: np.ndarray) -> np.ndarray:
        one = self._place(x, self.first, self._straighten(self.first_px, x[-1]))
        return one - self._place(x, self.second, self._straighten(self.second_px, x[-1]))

    def _mark_gaps(self, x: np.ndarray, *, is_moved: bool = True) -> np.ndarray:
        """Return corners seen minus corners known, (n, 4, 2) mm."""
        photo = np.repeat(self.mark_photo, 4)
        found = self._place(x, photo, self._straighten(self.mark_px.reshape(-1, 2), x[-1]))
        moves, rims_mm = self._moves(x), x[self.n_before_rims : -1]
        known = [
            place.corners_mm(turn, (dx, dy) if is_moved else (0, 0))
            for place, (dx, dy, turn) in zip(self.marks, moves, strict=True)
        ]
        known = np.array(known).reshape(-1, 4, 2)[self.mark_index]
        outward = known - known.mean(axis=1, keepdims=True)
        half_mm = np.array([place.side_mm / 2 for place in self.marks])[self.mark_index]
        return found.reshape(-1, 4, 2) - known - (rims_mm / half_mm)[:, None, None] * outward

    def _moves(self, x: np.ndarray) -> np.ndarray:
        return x[8 * len(self.photos) : self.n_before_rims].reshape(-1, 3)

    def _residuals(self, x: np.ndarray) -> np.ndarray:
        prior = [
            (dx / place.place_sd_mm, dy / place.place_sd_mm, self._doubt_turn(place, turn))
            for place, (dx, dy, turn) in zip(self.marks, self._moves(x), strict=True)
        ]
        return np.concatenate(
            [
                self._tie_gaps(x).ravel() / self.tie_sd_mm,
                self._mark_gaps(x).ravel() / self.mark_sd_mm,
                np.ravel(prior),
                x[self.n_before_rims : -1] / (RIM_PRIOR_SD_PX * self.mm_per_px),
                [x[-1] / LENS_PRIOR_SD],
            ]
        )

    def _doubt_turn(self, place: MarkPlace, turn: float) -> float:
        if math.isnan(place.turn_deg):
            return 0.0
        away = math.remainder(turn - math.radians(place.turn_deg), 2 * math.pi)
        return away / math.radians(max(0.5, math.degrees(place.place_sd_mm / place.side_mm)))

    def _slopes(self, x: np.ndarray):
        """Return the sparse slopes of the residuals."""
        from scipy.sparse import coo_array

        n_ties, n_marks = len(self.first), len(self.mark_photo)
        rows, cols, values = [], [], []

        def add(first_row: int, photo: np.ndarray, px: np.ndarray, factor: float) -> None:
            slope = self._slope_of_place(x, photo, self._straighten(px, x[-1])) * factor
            n = len(photo)
            row = first_row + np.arange(2 * n).reshape(n, 2, 1) + np.zeros((1, 1, 8), int)
            col = 8 * photo[:, None, None] + np.arange(8)[None, None, :] + np.zeros((1, 2, 1), int)
            rows.append(row.ravel())
            cols.append(col.ravel())
            values.append(slope.ravel())

        add(0, self.first, self.first_px, 1 / self.tie_sd_mm)
        add(0, self.second, self.second_px, -1 / self.tie_sd_mm)
        photo = np.repeat(self.mark_photo, 4)
        add(2 * n_ties, photo, self.mark_px.reshape(-1, 2), 1 / self.mark_sd_mm)
        # The few other unknowns (marks, lens) by differences.
        base = self._residuals(x)
        for col in range(8 * len(self.photos), len(x)):
            moved = x.copy()
            moved[col] += 1e-6
            change = (self._residuals(moved) - base) / 1e-6
            hit = np.flatnonzero(change)
            rows.append(hit)
            cols.append(np.full(len(hit), col))
            values.append(change[hit])
        shape = (2 * n_ties + 9 * n_marks + 3 * len(self.marks) + 1, len(x))
        triple = (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols)))
        return coo_array(triple, shape=shape).tocsr()

    def _slope_of_place(self, x: np.ndarray, photo: np.ndarray, unit: np.ndarray) -> np.ndarray:
        """Return how slab mm change with the eight numbers of a photo's plane, (n, 2, 8)."""
        planes = self._planes(x)[photo]
        lifted = np.column_stack([unit, np.ones(len(unit))])
        at = np.einsum("nij,nj->ni", planes, lifted)
        share = lifted / at[:, 2:]
        slope = np.zeros((len(unit), 2, 8))
        slope[:, 0, 0:3] = share
        slope[:, 1, 3:6] = share
        place = at[:, :2] / at[:, 2:]
        slope[:, :, 6:8] = -place[:, :, None] * share[:, None, :2]
        return slope * self.unit_mm
