"""Is it a pit, or something that only looks like one?

Two looks at every candidate, a third where the second moved it far. The first, on the close-up as
the finder placed it, says what it may be and where its middle and lip really are; the second looks
again from there and gives the kind, a calibrated confidence and the outline. Beside the network's answer stands a plain score that a
person can check by eye: how dark the near side is and how bright the far rim, in grain noise levels.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ..core.flags import flag_bit
from ..core.records import Lamp
from ..core.settings import SortSettings
from ..core.threads import ROOMS, share_out
from .find import (
    Candidates,
    Octave,
    as_photographed,
    join_candidates,
    keep_first,
)
from .neighbours import near_pairs
from .network import KINDS, N_OUTPUTS, Answer, glance, load_weights, run_network, split_outputs
from .patches import cut_batch, describe_candidates, glance_batch, lamp_at_candidates, split_batches

PIT = KINDS.index("pit")
NOTHING = KINDS.index("nothing")
GLANCE_PIT_FROM = 0.02  # so unsure that hardly a pit is lost; our choice on made-up faces
GLANCE_MARK_FROM = 0.85  # marks are listed for orientation only, so only clear ones are looked at
MARK_NEAR, MARK_RATIO = (
    1.0,
    3.0,
)  # of marks so near and so alike in size only the clearest is looked at; our choice
HINT_NEAR, HINT_RATIO = 0.6, 2.2  # of hints of one pit the clearest is looked at; our choice
THIRD_LOOK_FROM = 0.1  # of its diameter the second look moved it; our choice
SECOND_LOOK_FROM = 0.03  # first-look confidence that earns a second look; our choice
KEPT_FROM = 0.05  # less sure candidates are forgotten; the ones between here and the list are for a person to raise
UNKNOWN_SIDE_TRUST = (
    0.6  # how much of the evidence counts when the lamp's side is a guess; our choice
)
LIP_RATIO, LIP_OVERLAP_MAX = 3.0, 0.1  # our choice
# Chosen on made-up faces of their own: places 10 to 20 % and sizes 10 % nearer the truth than by the surest look.
SIZE_DOUBT, SIZE_BONUS, ODDS_BONUS, ODDS_MAX = 3.0, 0.45, 0.06, 8.0
SAME_LOOK_AWAY, SAME_LOOK_RATIO = 0.15, 1.25  # looks so near and so alike in size are at one pit
OVERLAP_MAX = 0.35  # share of the smaller circle that two pits may share; our choice
STAIN_LIGHT_MIN = (
    0.45  # light left by the darkest common stains on a face; darker is shade (our choice)
)
_LANES = slice(10, 15)  # rows of the close-up through the candidate's middle
_NEAR_SIDE = slice(8, 12)  # columns from the lip on the lamp's side almost to the middle
_FAR_SIDE = slice(13, 19)  # columns from beyond the middle to just past the far lip


@dataclass(frozen=True, slots=True)
class Sorted:
    """Candidates after two looks, as arrays of equal length, sure large pits first.

    candidates : with refined centre and diameter; kind : index into `network.KINDS`; confidence :
    calibrated chance of being a pit; kind_confidence : of being what `kind` says; size_sd : relative
    standard uncertainty of the diameter; lip : (n, 16); toward_deg : lamp side at the pit; evidence :
    (n, 7) what the confidence is made of (`describe_evidence`); flags : bits.
    """

    candidates: Candidates
    kind: np.ndarray
    confidence: np.ndarray
    kind_confidence: np.ndarray
    size_sd: np.ndarray
    lip: np.ndarray
    toward_deg: np.ndarray
    evidence: np.ndarray
    flags: np.ndarray

    @property
    def shade(self) -> np.ndarray:
        """Darkness of the near side, in noise levels (asinh)."""
        return self.evidence[:, 2]

    @property
    def rim(self) -> np.ndarray:
        """Brightness of the far rim, in noise levels (asinh)."""
        return self.evidence[:, 3]

    def take(self, index: np.ndarray) -> "Sorted":
        """Return the entries at `index` (whole numbers or a mask)."""
        rest = (getattr(self, name)[index] for name in self.__slots__ if name != "candidates")
        return Sorted(self.candidates.take(index), *rest)


@dataclass(frozen=True, slots=True)
class Scene:
    """The scale space, and how many batches of close-ups are worked on at once."""

    octaves: list[Octave]
    threads: int = 2

    def visit(self, candidates: Candidates) -> Iterator[tuple[list[Octave], np.ndarray]]:
        """Yield the scale space with the candidates (index) that can be looked at in it: here all at once."""
        yield self.octaves, np.arange(len(candidates))

    def look(
        self, work: Callable[[list[Octave], np.ndarray], None], candidates: Candidates
    ) -> None:
        """Do `work(octaves, batch)` for every batch of candidates, each of one octave."""
        for octaves, part in self.visit(candidates):
            batches = [part[batch] for batch in split_batches(candidates.take(part))]
            share_out(partial(work, octaves), batches, threads=self.threads)
            del octaves  # of a large map only one strip at a time fits into memory


def sort_candidates(
    octaves: list[Octave] | Scene,
    candidates: Candidates,
    lamp: Lamp,
    mm_per_px: float,
    *,
    settings: SortSettings = SortSettings(),
    threads: int = 2,
) -> Sorted:
    """Return what every candidate is, refined in place and size, repeats removed.

    Parameters
    ----------
    octaves, candidates : from `pits.find`; or a `Scene` that shows the scale space part by part.
    lamp : Lamp
        Side and angle. Without a side both sides of the grain's axis are tried, the better one is
        used, the evidence counts less and every entry is flagged.
    mm_per_px : float
        Size of a map pixel.
    settings : SortSettings
    threads : int
        Batches of close-ups worked on at once.

    Returns
    -------
    Sorted
        Every candidate with some chance of being a pit, and every mark that is sure enough.

    Errors of the answer
    --------------------
    `benchmarks/README.md` has precision, recall and calibration on slabs it was never trained on.

    Source
    ------
    Network trained on made-up slabs by `benchmarks/train_sorter.py`; calibration by a logistic
    curve (Platt 1999) on a generator kept out of the training.
    """
    toward_deg, angle_deg = lamp_at_candidates(candidates, lamp, mm_per_px)
    scene = octaves if isinstance(octaves, Scene) else Scene(octaves, threads)
    if lamp.is_side_known:
        return _look_twice(scene, candidates, (toward_deg, angle_deg), settings)
    axis_deg = lamp.axis_deg if np.isfinite(lamp.axis_deg) else 90.0
    tries = [
        _look_twice(
            scene,
            candidates,
            (np.full(len(candidates), side), angle_deg),
            settings,
            UNKNOWN_SIDE_TRUST,
        )
        for side in (axis_deg % 360, (axis_deg + 180) % 360)
    ]
    best = max(tries, key=vote_for_side)
    return replace(best, flags=best.flags | flag_bit("lamp_side_unknown"))


def vote_for_side(answer: Sorted) -> float:
    """Return how strongly a sorting speaks for the lamp side it assumed (sum of pit confidences)."""
    return float(np.sum(answer.confidence[answer.confidence > 0.5]))


def read_evidence(patches: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what a person can check in a close-up: shade, rim and blackness, each (n,).

    Darkness of the near side and brightness of the far rim in noise levels (asinh); the rim is the
    brightest column, since a deep pit's shade reaches far and leaves only a thin bright lip.
    Blackness is by how much the middle is darker than paint or a stain can make it.
    """
    lanes = patches[:, 1, _LANES]
    shade = -lanes[:, :, _NEAR_SIDE].mean(axis=(1, 2))
    rim = lanes[:, :, _FAR_SIDE].mean(axis=1).max(axis=1, initial=-9.0)
    middle = patches[:, 0, _LANES, _LANES].mean(axis=(1, 2))
    return shade, rim, np.maximum(0.0, STAIN_LIGHT_MIN - (1 + middle))


def describe_evidence(
    logits: np.ndarray, diameter_px: np.ndarray, seen: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> np.ndarray:
    """Return what the confidence is made of, (n, 7).

    Margin, log of the size in px, shade, rim, blackness, the weaker of shade and rim, and 1.
    """
    weaker = np.minimum(seen[0], seen[1])
    return np.column_stack(
        [pit_margin(logits), np.log(diameter_px), *seen, weaker, np.ones(len(logits))]
    )


def correct_size(diameter_px: np.ndarray, evidence: np.ndarray) -> np.ndarray:
    """Return diameters freed of the network's mean bias, which depends on size and on how deep a pit looks."""
    return (
        diameter_px * np.exp(size_terms(evidence) @ load_weights()["size_correction"][:-1])
    ).astype(np.float32)


def size_terms(evidence: np.ndarray) -> np.ndarray:
    """Return what the bias of the size depends on, (n, 5): log size, shade, rim, blackness, 1."""
    return evidence[:, [1, 2, 3, 4, 6]]


def calibrate(evidence: np.ndarray, *, trust: float = 1.0) -> np.ndarray:
    """Return the calibrated chance of a pit from `describe_evidence` (n, 7)."""
    return _logistic(trust * (evidence @ load_weights()["calibration"]))


def pit_margin(logits: np.ndarray) -> np.ndarray:
    """Return by how much "pit" beats everything else together, in natural log odds."""
    others = np.delete(logits, PIT, axis=1)
    top = others.max(axis=1)
    return logits[:, PIT] - top - np.log(np.exp(others - top[:, None]).sum(axis=1))


def drop_overlaps(answer: Sorted, *, overlap_max: float = OVERLAP_MAX) -> Sorted:
    """Return the entries without those that mostly lie on a better one; a small pit on a large stain keeps both."""
    answer = answer.take(np.argsort(-_rate_looks(answer), kind="stable"))
    is_pit, size = answer.confidence > 0.5, answer.candidates.diameter_px
    surer, other = _touching_pairs(answer.candidates)
    shared = _share_circles(answer.candidates, surer, other)
    # What sits on the lip of a pit several times its size is nearly always a piece of that lip.
    is_on_lip = size[surer] > LIP_RATIO * size[other]
    lies_on = shared > np.where(is_on_lip, LIP_OVERLAP_MAX, overlap_max)
    lies_on &= (is_pit[surer] == is_pit[other]) | (size[other] <= LIP_RATIO * size[surer])
    keep = np.ones(len(size), bool)
    for i, j in zip(surer[lies_on].tolist(), other[lies_on].tolist(), strict=True):
        if keep[i]:
            keep[j] = False
    placed = _average_looks(answer, surer[keep[surer]], other[keep[surer]])
    return replace(answer, candidates=placed).take(keep)


def _average_looks(answer: Sorted, best: np.ndarray, other: np.ndarray) -> Candidates:
    """Return places and sizes as the mean of all looks at the same pit; pairs (best, other) touch.

    Each counts by how sure it is of its size: the ends of the scale at which a pit was looked at err
    to different sides.
    """
    c, is_pit = answer.candidates, answer.confidence > 0.5
    values = np.column_stack([c.row, c.col, np.log(c.diameter_px)]).astype(float)
    away = np.hypot(*(values[best, :2] - values[other, :2]).T) / c.diameter_px[best]
    unlike = np.abs(values[best, 2] - values[other, 2])
    same = (
        is_pit[best] & is_pit[other] & (away < SAME_LOOK_AWAY) & (unlike < np.log(SAME_LOOK_RATIO))
    )
    best, other = best[same], other[same]
    weight = answer.confidence / np.maximum(answer.size_sd, 1e-3) ** 2
    share = weight / (weight + np.bincount(best, weight[other], len(weight)))
    moved = values * share[:, None]
    np.add.at(moved, best, values[other] * (weight[other] * share[best] / weight[best])[:, None])
    row, col, size = moved.astype(np.float32).T
    return replace(c, row=row, col=col, diameter_px=np.exp(size))


def _rate_looks(answer: Sorted) -> np.ndarray:
    """How well each look shows what it is a look at; of looks at one pit the best gives place and size.

    A look that is unsure of its size is off the middle too. Larger ones come first by a little, so that a
    small sure thing on its lip cannot take a large pit away.
    """
    is_pit = answer.confidence > 0.5
    surely_pit = np.where(answer.kind == PIT, answer.kind_confidence, 0.0)
    # One that takes two neighbours for one pit is hardly less confident, but its odds are far lower.
    odds = np.log(np.clip(answer.confidence, 0.5, None) / np.clip(1 - answer.confidence, 1e-9, 0.5))
    fit = (
        surely_pit
        + ODDS_BONUS * np.minimum(odds, ODDS_MAX)
        - SIZE_DOUBT * answer.size_sd
        + SIZE_BONUS * np.log2(answer.candidates.diameter_px)
    )
    return (
        np.maximum(answer.confidence, answer.kind_confidence * 0.5)
        + is_pit
        + np.where(is_pit, fit, 0.0)
    )


def choose_by_glance(
    scene: Scene, candidates: Candidates, light: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Return which candidates get a proper look: any hint of a pit, and marks that show well."""
    numbers, chances = (
        describe_candidates(as_photographed(scene.octaves, candidates), light[1]),
        np.empty((len(candidates), 2), np.float32),
    )

    def work(octaves: list[Octave], batch: np.ndarray) -> None:
        glances = glance_batch(octaves, candidates.take(batch), light[0][batch], room=ROOMS.room)
        chances[batch] = glance(glances.T, numbers[batch])

    scene.look(work, candidates)
    is_hint = chances[:, 0] > GLANCE_PIT_FROM
    is_mark = ~is_hint & (chances[:, 1] > GLANCE_MARK_FROM)
    worth = np.zeros(len(candidates), bool)
    for chance, some, near, ratio in (
        (chances[:, 0], is_hint, HINT_NEAR, HINT_RATIO),
        (chances[:, 1], is_mark, MARK_NEAR, MARK_RATIO),
    ):
        index = np.flatnonzero(some)
        index = index[np.argsort(-chance[index], kind="stable")]
        worth[index[keep_first(candidates.take(index), near=near, ratio=ratio)]] = True
    return worth


def _look_twice(
    scene: Scene,
    candidates: Candidates,
    light: tuple[np.ndarray, np.ndarray],
    settings: SortSettings,
    trust: float = 1.0,
) -> Sorted:
    worth = choose_by_glance(scene, candidates, light)
    candidates, (toward_deg, angle_deg) = candidates.take(worth), (light[0][worth], light[1][worth])
    first, evidence = _look(scene, candidates, toward_deg, angle_deg)
    moved = refine(candidates, first, toward_deg, scene.octaves)
    hopeful = calibrate(evidence) > SECOND_LOOK_FROM
    # A mark is settled by the first look: where exactly it lies and how large it is decides nothing.
    marked = ~hopeful & (
        1 - np.exp(first.logits[:, NOTHING] - _log_sum(first.logits)) > settings.mark_confidence_min
    )
    marks = _settle(
        first.take(marked), evidence[marked], moved.take(marked), (toward_deg[marked], trust)
    )
    moved, toward_deg = moved.take(hopeful), toward_deg[hopeful]
    second, evidence = _look(scene, moved, toward_deg, angle_deg[hopeful])
    placed = refine(moved, second, toward_deg, scene.octaves)
    # One that was still far off is looked at once more, from where it was last seen to lie.
    far = np.hypot(*second.shift.T) > THIRD_LOOK_FROM
    third, again = _look(scene, placed.take(far), toward_deg[far], angle_deg[hopeful][far])
    replaced = refine(placed.take(far), third, toward_deg[far], scene.octaves)
    looks = [
        _settle(second.take(~far), evidence[~far], placed.take(~far), (toward_deg[~far], trust)),
        _settle(third, again, replaced, (toward_deg[far], trust)),
    ]
    answer = join_sorted(join_sorted(*looks), marks)
    is_mark = (answer.kind != NOTHING) & (answer.kind != PIT)
    listed = (answer.confidence >= KEPT_FROM) | (
        is_mark & (answer.kind_confidence >= settings.mark_confidence_min)
    )
    return drop_overlaps(answer.take(listed))


def join_sorted(one: Sorted, other: Sorted) -> Sorted:
    """Return the entries of both."""
    rest = (
        np.concatenate([getattr(one, name), getattr(other, name)])
        for name in Sorted.__slots__
        if name != "candidates"
    )
    return Sorted(join_candidates([one.candidates, other.candidates]), *rest)


def _settle(
    answer: Answer, evidence: np.ndarray, placed: Candidates, light: tuple[np.ndarray, float]
) -> Sorted:
    """What the last look at each candidate says of it: kind, confidence, size and lip."""
    toward_deg, trust = light
    shares = np.exp(answer.logits - _log_sum(answer.logits)[:, None])
    kind = shares.argmax(axis=1)
    return Sorted(
        candidates=replace(placed, diameter_px=correct_size(placed.diameter_px, evidence)),
        kind=kind,
        confidence=calibrate(evidence, trust=trust),
        kind_confidence=shares.max(axis=1),
        size_sd=answer.size_sd * load_weights()["size_correction"][-1],
        lip=answer.lip,
        toward_deg=toward_deg,
        evidence=evidence,
        flags=np.zeros(len(kind), np.int64),
    )


def _look(
    scene: Scene, candidates: Candidates, toward_deg: np.ndarray, angle_deg: np.ndarray
) -> tuple[Answer, np.ndarray]:
    """Cut, judge and read the close-ups batch by batch: they are never all in memory."""
    photographed = as_photographed(scene.octaves, candidates)
    n, numbers = len(candidates), describe_candidates(photographed, angle_deg)
    raw, seen = np.empty((n, N_OUTPUTS), np.float32), np.empty((3, n), np.float32)

    def work(octaves: list[Octave], batch: np.ndarray) -> None:
        patches = cut_batch(octaves, candidates.take(batch), toward_deg[batch], room=ROOMS.room)
        raw[batch] = run_network(patches, numbers[batch], room=ROOMS.room)
        seen[:, batch] = read_evidence(patches.transpose(3, 2, 0, 1))

    scene.look(work, candidates)
    answer = split_outputs(raw)
    return answer, describe_evidence(answer.logits, photographed.diameter_px, tuple(seen))


def refine(
    candidates: Candidates, answer: Answer, toward_deg: np.ndarray, octaves: list[Octave]
) -> Candidates:
    """Return candidates moved and resized as the network says, each in the octave that suits it."""
    angle = np.radians(toward_deg)
    along, across = (answer.shift * candidates.diameter_px[:, None]).T
    row = candidates.row + along * np.cos(angle) - across * np.sin(angle)
    col = candidates.col - along * np.sin(angle) - across * np.cos(angle)
    size = candidates.diameter_px * answer.size
    octave = choose_octave(octaves, size)
    return replace(
        candidates,
        row=row.astype(np.float32),
        col=col.astype(np.float32),
        diameter_px=size.astype(np.float32),
        octave=octave,
    )


def choose_octave(octaves: list[Octave], diameter_px: np.ndarray) -> np.ndarray:
    """Return for each diameter (map pixels) the octave whose sizes it falls into."""
    first = octaves[0].diameters_px[0] * octaves[0].shrink
    step = np.floor(np.log2(np.maximum(diameter_px, 1e-3) / first) + 1e-6)
    return np.clip(step, 0, len(octaves) - 1).astype(np.intp)


def _log_sum(logits: np.ndarray) -> np.ndarray:
    top = logits.max(axis=1, initial=-np.inf) if len(logits) else np.empty(0, np.float32)
    return top + np.log(np.exp(logits - top[:, None]).sum(axis=1))


def _logistic(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(x, -40, 40)))


def _touching_pairs(c: Candidates) -> tuple[np.ndarray, np.ndarray]:
    """Pairs (surer, less sure) whose circles may touch, in order of the surer one."""
    return tuple(near_pairs(np.column_stack([c.row, c.col]), c.diameter_px, 1.0).T)


def _share_circles(c: Candidates, i: np.ndarray, j: np.ndarray) -> np.ndarray:
    """Share of the smaller of two circles that lies in the larger (lens area over circle area)."""
    row, col, size = (values.astype(float) for values in (c.row, c.col, c.diameter_px))
    gap = np.hypot(row[i] - row[j], col[i] - col[j])
    a, b = np.minimum(size[i], size[j]) / 2, np.maximum(size[i], size[j]) / 2
    safe = np.maximum(gap, 1e-9)
    at_a = np.arccos(np.clip((safe**2 + a**2 - b**2) / (2 * safe * a), -1, 1))
    at_b = np.arccos(np.clip((safe**2 + b**2 - a**2) / (2 * safe * b), -1, 1))
    lens = a**2 * (at_a - np.sin(2 * at_a) / 2) + b**2 * (at_b - np.sin(2 * at_b) / 2)
    return np.select([gap >= a + b, gap <= b - a], [0.0, 1.0], lens / (np.pi * a**2))
