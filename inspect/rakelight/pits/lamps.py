"""One face under two or more lamps: photos from the same camera place, the lamp moved between them.

Every photo is searched and sorted in its own light. Then the photos are laid on each other (a hand
shakes, a tripod sags), each find of one photo is looked at in the others as well, and what all of them
say is pooled: a stain looks the same from everywhere, a bump turns its order of light and shade around,
and only a pit is dark toward every lamp. The lengths of several shadows say more of a depth than one.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..core.records import FlatPhoto, Lamp
from ..core.similarity import fit_similarity
from .depth import measure_shadows
from .find import Candidates, Octave, as_photographed
from .network import KINDS, Answer, judge_patches
from .patches import cut_patches, describe_candidates, lamp_at_candidates
from .sort import (
    KEPT_FROM,
    PIT,
    Sorted,
    calibrate,
    choose_octave,
    describe_evidence,
    drop_overlaps,
    join_sorted,
    read_evidence,
    refine,
)

SURE = 0.8  # confidence of the pits and marks that two photos are laid on each other by; our choice
FEWEST_PAIRS = 5  # fewer common finds do not fix a shift; our choice
STEADY = tuple(KINDS.index(kind) for kind in ("stain", "grain", "bump"))
SHIFT_MAX_MM = 12.0  # hand shift that is looked for; our choice
SAME_PLACE = 0.5  # finds nearer than this share of the larger diameter may be the same
SAME_SIZE = 2.0  # and no more than so many times larger
NOISE_FROM = 5  # finds of one size class that tell the noise at that size; fewer, and the other photo's holds
STRAY_MAX = (
    0.35  # a second look that wanders further than this share of the diameter sees something else
)
FULL_SHADOW = (
    0.97  # of the shadow of half a ball: longer ones only say that the pit is at least so deep
)
# Weight of the added log odds and what is added, fitted by `benchmarks/lamps.py --calibrate`.
POOLED = (0.50, -0.32)
_CHANCE_LIMITS = (2e-3, 1 - 2e-3)


@dataclass(frozen=True, slots=True)
class LampView:
    """One photo under one lamp: scale space, flattened light, lamp, and what was found in it."""

    octaves: list[Octave]
    flat: FlatPhoto
    lamp: Lamp
    entries: Sorted


@dataclass(frozen=True, slots=True)
class Registration:
    """How another photo lies on the first: (x, y, 1) pixels of the first @ matrix = (x, y) of the other.

    n_pairs : common pits that agree; residual_px : how well; 0 pairs: not found, taken as not moved.
    """

    matrix: np.ndarray
    n_pairs: int
    residual_px: float

    def place(self, row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return where places of the first photo lie in the other, (row, col) in pixels."""
        x, y = (np.column_stack([col, row, np.ones(len(row))]) @ self.matrix).T
        return y.astype(np.float32), x.astype(np.float32)

    def place_back(self, row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return where places of the other photo lie in the first, (row, col) in pixels."""
        x, y = ((np.column_stack([col, row]) - self.matrix[2]) @ np.linalg.inv(self.matrix[:2])).T
        return y.astype(np.float32), x.astype(np.float32)


@dataclass(frozen=True, slots=True)
class Pooled:
    """What several lamps say together.

    entries : places in pixels of the first photo, pooled confidence; chances : (n, photos) each photo's own
    confidence; registrations : one per photo after the first.
    """

    entries: Sorted
    chances: np.ndarray
    registrations: tuple[Registration, ...]


def pool_lamps(views: list[LampView]) -> Pooled:
    """Return the finds of several photos as one list, in pixels of the first, confidences pooled.

    Parameters
    ----------
    views : list of LampView
        Photos of one face from the same camera place, on maps of the same scale; one alone stays as it is.

    Returns
    -------
    Pooled

    Errors of the answer
    --------------------
    `benchmarks/results/lamps.md` has what a second lamp gains. Photos moved by more than 12 mm, or with
    fewer than five common pits, are not laid on each other: `n_pairs` is 0 then.

    Source
    ------
    Sum of log odds as if the photos were independent, times a weight found on made-up slabs of other
    generators than the test's; our choice.
    """
    registrations = tuple(register_views(views[0], other) for other in views[1:])
    entries = views[0].entries
    if len(views) == 1:
        return Pooled(entries, np.asarray(entries.confidence)[:, None], registrations)
    for view, registration in zip(views[1:], registrations, strict=True):
        moved = _place_entries(view.entries, registration, back=True)
        entries = _add_new(entries, moved, views[0].octaves)
    chances = np.column_stack(
        [_chance_in(views[0], entries, None)]
        + [
            _chance_in(view, entries, moved)
            for view, moved in zip(views[1:], registrations, strict=True)
        ]
    )
    confidence = pool_chances(chances)
    kind = np.where(confidence > 0.5, PIT, entries.kind)
    kind_confidence = np.where(confidence > 0.5, confidence, entries.kind_confidence)
    pooled = replace(entries, confidence=confidence, kind=kind, kind_confidence=kind_confidence)
    listed = np.flatnonzero((confidence >= KEPT_FROM) | (kind != PIT))
    pooled, chances = pooled.take(listed), chances[listed]
    kept = drop_overlaps(
        replace(pooled, flags=np.arange(len(listed)))
    )  # flags carry the row through
    rows = kept.flags
    return Pooled(pooled.take(rows), chances[rows], registrations)


def pool_chances(chances: np.ndarray, *, pooled: tuple[float, float] = POOLED) -> np.ndarray:
    """Return one calibrated chance (n,) from those of several photos (n, photos)."""
    odds = np.log(np.clip(chances, *_CHANCE_LIMITS))
    odds -= np.log1p(-np.clip(chances, *_CHANCE_LIMITS))
    return 1 / (1 + np.exp(-(pooled[0] * odds.sum(axis=1) + pooled[1])))


def register_views(first: LampView, other: LampView) -> Registration:
    """Return how the other photo lies on the first, from pits and marks that both show clearly.

    Errors of the answer: the middle of a pit is placed to about a tenth of its diameter in each photo; with
    ten pits or more the map is right to a pixel or better.
    Source: vote over all shifts, then least squares (shift, turn and scale) on what agrees; our choice.
    """
    a, b = (_sure_places(view.entries) for view in (first, other))
    still = Registration(np.array([[1.0, 0], [0, 1], [0, 0]]), 0, math.nan)
    if min(len(a), len(b)) < FEWEST_PAIRS:
        return still
    reach_px = SHIFT_MAX_MM / first.flat.mm_per_px
    near = cKDTree(a[:, :2]).query_ball_tree(cKDTree(b[:, :2]), reach_px)
    rows = np.repeat(np.arange(len(a)), [len(found) for found in near])
    cols = np.concatenate([np.asarray(found, int) for found in near])
    alike = np.abs(np.log(a[rows, 2] / b[cols, 2])) < math.log(SAME_SIZE)
    rows, cols = rows[alike], cols[alike]
    if len(rows) < FEWEST_PAIRS:
        return still
    steps = b[cols, :2] - a[rows, :2]
    gate_px = max(2.0, 0.25 * float(np.median(a[:, 2])))
    votes = np.array([len(found) for found in cKDTree(steps).query_ball_point(steps, gate_px)])
    agree = np.hypot(*(steps - steps[votes.argmax()]).T) <= gate_px
    matrix = still.matrix + 0.0
    for _ in range(5):
        if agree.sum() < FEWEST_PAIRS:
            return still
        matrix = fit_similarity(a[rows[agree], :2], b[cols[agree], :2])[:2].T
        miss = np.hypot(
            *(np.column_stack([a[rows, :2], np.ones(len(rows))]) @ matrix - b[cols, :2]).T
        )
        agree = miss <= gate_px
    # Pits that agree by chance: pairs in reach times the share of the reach that the gate covers.
    by_chance = len(rows) * (gate_px / reach_px) ** 2
    if agree.sum() < FEWEST_PAIRS + 2 * by_chance:
        return still
    return Registration(matrix, int(agree.sum()), float(np.sqrt(np.mean(miss[agree] ** 2))))


def measure_depths(
    pits: Sorted, views: list[LampView], registrations: tuple[Registration, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Return (depth_mm, is_from_lamps): the depth of each pit from its shadows under all lamps.

    Returns
    -------
    depth_mm : float (n,)
        From two shadows and more: the mean of the depths that a round-bottomed pit of this diameter
        needs for each of them, never less than the deepest shadow tip. From one shadow, or when a shadow
        reaches the far lip: the least depth. NaN without any shadow.
    is_from_lamps : bool (n,)
        Whether two shadows or more that end inside the pit support it.

    Errors of the answer
    --------------------
    See `benchmarks/results/lamps.md`; pits that are not round-bottomed are off by a third.

    Source
    ------
    d = L tan(e) for the tip; round-bottomed pit: cot(a) = (cos e - (L/D)/cos e)/sin e, d = (D/2) tan(a/2)
    (own derivation of the project's notes).
    """
    tips, bowls = [], []
    for view, registration in zip(views, (None, *registrations), strict=True):
        placed = pits if registration is None else _place_entries(pits, registration, back=False)
        toward_deg, angle_deg = lamp_at_candidates(
            placed.candidates, view.lamp, view.flat.mm_per_px
        )
        shadow_mm = measure_shadows(view.flat, replace(placed, toward_deg=toward_deg))
        diameter_mm = placed.candidates.diameter_px * view.flat.mm_per_px
        tips.append(shadow_mm * np.tan(np.radians(angle_deg)))
        bowls.append(invert_bowl(shadow_mm, diameter_mm, angle_deg))
    tip, bowl = np.array(tips), np.array(bowls)
    n_usable = np.isfinite(bowl).sum(axis=0)
    least = np.where(np.isfinite(tip).any(axis=0), np.nan_to_num(tip, nan=-1.0).max(axis=0), np.nan)
    mean = np.nansum(bowl, axis=0) / np.maximum(n_usable, 1)
    is_from_lamps = n_usable >= 2
    return np.where(is_from_lamps, np.maximum(mean, least), least), is_from_lamps


def invert_bowl(
    shadow_mm: np.ndarray, diameter_mm: np.ndarray, angle_deg: np.ndarray
) -> np.ndarray:
    """Return the depth in mm of the round-bottomed pit whose shadow is that long, NaN when it reaches the far lip.

    Source: cot(a) = (cos e - (L/D)/cos e)/sin e, d = (D/2) tan(a/2), own derivation of the project's notes.
    """
    share = np.asarray(shadow_mm, float) / np.asarray(diameter_mm, float)
    turn = np.radians(angle_deg)
    cot = (np.cos(turn) - share / np.cos(turn)) / np.sin(turn)
    half = np.arctan2(1.0, cot) / 2
    depth = diameter_mm / 2 * np.tan(half)
    return np.where(share < FULL_SHADOW * np.cos(turn) ** 2, depth, np.nan)


def _sure_places(entries: Sorted) -> np.ndarray:
    """Column, row and diameter of what every lamp shows in the same place: sure pits, stains, grains and bumps."""
    c = entries.candidates
    sure = (entries.confidence >= SURE) | (
        np.isin(entries.kind, STEADY) & (entries.kind_confidence >= SURE)
    )
    return np.column_stack([c.col, c.row, c.diameter_px])[sure].astype(float)


def _place_entries(entries: Sorted, registration: Registration, *, back: bool) -> Sorted:
    """The entries with their places in the other photo (or, back, in the first)."""
    c = entries.candidates
    row, col = (registration.place_back if back else registration.place)(c.row, c.col)
    return replace(entries, candidates=replace(c, row=row, col=col))


def _add_new(entries: Sorted, others: Sorted, octaves: list[Octave]) -> Sorted:
    """The entries with those of another photo: the same find is kept once, the surer of the two."""
    c, d = entries.candidates, others.candidates
    others = replace(others, candidates=replace(d, octave=choose_octave(octaves, d.diameter_px)))
    if len(c) == 0 or len(d) == 0:
        return join_sorted(entries, others)
    near = cKDTree(np.column_stack([c.row, c.col])).query(np.column_stack([d.row, d.col]))
    gap, partner = near
    larger = np.maximum(c.diameter_px[partner], d.diameter_px)
    smaller = np.minimum(c.diameter_px[partner], d.diameter_px)
    same = (gap <= SAME_PLACE * larger) & (larger <= SAME_SIZE * smaller)
    surer = same & (others.confidence > entries.confidence[partner])
    keep = np.ones(len(c), bool)
    keep[partner[surer]] = False
    return join_sorted(entries.take(keep), others.take(~same | surer))


def _chance_in(view: LampView, entries: Sorted, registration: Registration | None) -> np.ndarray:
    """The chance of a pit at each entry's place, as this photo alone sees it."""
    placed = entries if registration is None else _place_entries(entries, registration, back=False)
    own = view.entries.candidates
    c = placed.candidates
    chance = np.full(len(c), np.nan)
    if len(own) and len(c):
        gap, partner = cKDTree(np.column_stack([own.row, own.col])).query(
            np.column_stack([c.row, c.col])
        )
        larger, smaller = (
            np.maximum(own.diameter_px[partner], c.diameter_px),
            np.minimum(own.diameter_px[partner], c.diameter_px),
        )
        same = (gap <= SAME_PLACE * larger) & (larger <= SAME_SIZE * smaller)
        chance[same] = view.entries.confidence[partner[same]]
    missing = np.flatnonzero(np.isnan(chance))
    chance[missing] = _look_again(view, placed.candidates.take(missing))
    return chance


def _look_again(view: LampView, candidates: Candidates) -> np.ndarray:
    """The chance of a pit at places that this photo's own search did not list."""
    own, noise = view.entries.candidates, candidates.noise.copy()
    for octave in np.unique(candidates.octave):
        like = own.noise[own.octave == octave]
        if len(like) >= NOISE_FROM:
            noise[candidates.octave == octave] = np.median(like)
    placed = replace(
        candidates, noise=noise, octave=choose_octave(view.octaves, candidates.diameter_px)
    )
    toward_deg, angle_deg = lamp_at_candidates(placed, view.lamp, view.flat.mm_per_px)
    answer, first = _judge(view.octaves, placed, toward_deg, angle_deg)
    moved = refine(placed, answer, toward_deg, view.octaves)
    second = _judge(view.octaves, moved, toward_deg, angle_deg)[1]
    stray = (
        np.hypot(moved.row - placed.row, moved.col - placed.col) > STRAY_MAX * placed.diameter_px
    )
    return np.where(stray, first, second)


def _judge(
    octaves: list[Octave], candidates: Candidates, toward_deg: np.ndarray, angle_deg: np.ndarray
) -> tuple[Answer, np.ndarray]:
    patches = cut_patches(octaves, candidates, toward_deg)
    candidates = as_photographed(octaves, candidates)
    answer = judge_patches(patches, describe_candidates(candidates, angle_deg))
    seen = read_evidence(patches)
    return answer, calibrate(describe_evidence(answer.logits, candidates.diameter_px, seen))
