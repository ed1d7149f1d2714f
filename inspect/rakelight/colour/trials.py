"""Which trial is nearest, and what did sanding, wetting or sealing do to the tone?

Catalogue: `AreaTone` and `read_area` (tone and grain of a rectangle), `rank_trials` (filler or
slurry trials against the face), `compare_areas` (a sanded strip against the unsanded face, wet
and dry, before and after the sealer).
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd

from ..core.checks import check_choice
from ..core.errors import ColourError
from ..core.records import TRIAL_COLUMNS, make_table
from ..core.settings import ColourSettings
from .balance import Shoot, average_middle, cut_rect, decode_light, doubt_comparison
from .difference import ROUNDING_SD, describe_tone, find_dE00_sd, find_lab, measure_dE00
from .evenface import EvenFace

PART_MM = 20.0
"""An area is cut into parts of this side or less; how they differ tells how sure its tone is."""
MOTTLE_MM = 85.0
"""Parts nearer than this are alike on mottled concrete and count as one (our choice, made-up slabs)."""
AROUND_MM = 60.0
"""Width of the belt of face around a trial that it is held against (our choice)."""
GRAIN_MM = (0.25, 2.0)
"""Sand shows between these sizes (our choice: fine sand to coarse)."""
SURE = 1.96

KINDS = ("sanded", "wet", "sealed", "filler", "slurry", "other")
DRY_ADVICE = "Compare only when both are fully dry: trial patches at least 7 days, 3 to 4 weeks for the final tone."
ADVICE = {
    "sanded": "Test patch first: hone a strip, let it dry fully and look again before the whole face is touched.",
    "wet": "Wetting is only a rough preview of the sealed tone: judge the dry face dry.",
    "sealed": "Try the sealer on an offcut first, and follow its product sheet for how dry the concrete must be.",
    "filler": "Test patch first. " + DRY_ADVICE,
    "slurry": "Test patch first. " + DRY_ADVICE,
    "other": DRY_ADVICE,
}
"""Advice that goes with each kind of trial: trade notes (7 days; 3 to 4 weeks after stripping, read)."""


@dataclass(frozen=True, slots=True)
class AreaTone:
    """Tone of an area: lab (3,), sd (3,) of that mean, grain_L (sd of L* at sand sizes, NaN when the
    photo cannot show it), n_parts read, middle_mm."""

    lab: np.ndarray
    sd: np.ndarray
    grain_L: float
    n_parts: int
    middle_mm: tuple[float, float]


def read_area(even: EvenFace, rect_mm: tuple[float, ...], *, name: str = "area") -> AreaTone:
    """Return the tone and the grain of a rectangle (x_mm, y_mm, width_mm, height_mm) of the face.

    Errors of the answer: `sd` holds how the area's own parts differ; the lamp is not in it.
    Source: our choice.
    """
    return _read_blocks(even, _mark_rect(even, rect_mm), rect_mm, name)


def rank_trials(
    even: EvenFace,
    trials: Iterable[Mapping[str, Any]],
    *,
    target: tuple[float, ...] | None = None,
    settings: ColourSettings | None = None,
) -> pd.DataFrame:
    """Return a table with TRIAL_COLUMNS: the trials by how near they come to the face's tone.

    Parameters
    ----------
    even : one soft-light photo that shows all trials.
    trials : mappings with name, x_mm, y_mm, width_mm, height_mm and, if known, age_days.
    target : rectangle of the face whose tone is wanted; None = the belt around each trial.

    Returns
    -------
    Table, nearest first. `is_nearest` marks all trials that cannot be told from the nearest.

    Errors of the answer
    --------------------
    low and high hold 95 % of the unevenness of the areas; a trial that is not dry yet will change.

    Source
    ------
    Our choice.
    """
    rows = []
    for trial in trials:
        rect = tuple(float(trial[key]) for key in ("x_mm", "y_mm", "width_mm", "height_mm"))
        area = read_area(even, rect, name=str(trial["name"]))
        wanted = read_around(even, rect) if target is None else read_area(even, target, name="the target")
        said = {"name": str(trial["name"]), "age_days": float(trial.get("age_days", math.nan))}
        rows.append(said | _contrast(area, wanted))
    if not rows:
        return make_table(TRIAL_COLUMNS)
    rows.sort(key=lambda row: row["dE00"])
    reach = rows[0]["dE00"]
    for row in rows:
        # Two noisy distances overlap when their gap is within the spread of both.
        row["is_nearest"] = row["dE00"] - reach <= SURE * math.hypot(row["dE00_sd"], rows[0]["dE00_sd"])
    return make_table(TRIAL_COLUMNS, {name: [row[name] for row in rows] for name in rows[0]})


def compare_areas(
    first: AreaTone,
    second: AreaTone,
    *,
    kind: str = "other",
    shoots: tuple[Shoot, Shoot] | None = None,
    has_grey: bool = True,
) -> dict[str, Any]:
    """Return how the second area differs from the first: dE00, words, grain, a sentence and advice.

    Parameters
    ----------
    first : the untouched, dry or unsealed area. second : the sanded, wet or sealed one.
    kind : one of KINDS, for the sentence and the advice.
    shoots : the two shootings when the areas come from two photos; then a missing colour profile,
        a changed white balance or a missing grey reference (`has_grey`) is a ColourError.

    Returns
    -------
    Mapping: dE00, dE00_sd, low, high, dL, dL_sd, words, direction (lighter, darker or
    ``no clear shift``), grain_ratio (NaN when not known), sentence, advice.

    Errors of the answer
    --------------------
    `direction` is named only when the shift of L* exceeds its 95 % range. Camera noise is part of
    both grains, so a ratio reads too near to 1.

    Source
    ------
    Our choice; advice from the trade notes.
    """
    check_choice(kind, "kind", KINDS, error=ColourError)
    if shoots is not None:
        doubts = doubt_comparison(*shoots, has_grey=has_grey)
        if doubts:
            raise ColourError(
                f"These two photos cannot be compared for colour: {', '.join(doubts)}; shoot both with the "
                "grey card in the frame, fixed white balance and a colour profile."
            )
    answer = _contrast(second, first)
    is_clear = abs(answer["dL"]) > SURE * answer["dL_sd"]
    answer["direction"] = ("lighter" if answer["dL"] > 0 else "darker") if is_clear else "no clear shift"
    answer["grain_ratio"] = second.grain_L / first.grain_L if first.grain_L > 0 else math.nan
    answer["sentence"], answer["advice"] = _write_sentence(answer, kind), ADVICE[kind]
    return answer


def read_around(even: EvenFace, rect_mm: tuple[float, ...], *, width_mm: float = AROUND_MM) -> AreaTone:
    """Return the tone and the grain of the belt of face around a rectangle.

    Errors of the answer: as `read_area`; the lamp's slope cancels when the belt is whole.
    Source: our choice.
    """
    x_mm, y_mm, wide, high = rect_mm[:4]
    outer = (x_mm - width_mm, y_mm - width_mm, wide + 2 * width_mm, high + 2 * width_mm)
    # A thin gap keeps the trial's own rim out of the belt.
    gap = 2 * even.blocks.block_mm
    inner = (x_mm - gap, y_mm - gap, wide + 2 * gap, high + 2 * gap)
    belt = _mark_rect(even, outer) & ~_mark_rect(even, inner)
    return _read_blocks(even, belt, outer, "the face around the trial")


def _contrast(area: AreaTone, wanted: AreaTone) -> dict[str, Any]:
    sd = np.sqrt(np.square([area.sd, wanted.sd, ROUNDING_SD, ROUNDING_SD]).sum(axis=0))
    de00, de00_sd = float(measure_dE00(area.lab, wanted.lab)), find_dE00_sd(area.lab, wanted.lab, sd)
    return {
        "dE00": de00, "dE00_sd": de00_sd,
        "low": max(de00 - SURE * de00_sd, 0.0), "high": de00 + SURE * de00_sd,
        "dL": float(area.lab[0] - wanted.lab[0]), "dL_sd": float(sd[0]),
        "words": describe_tone(area.lab, wanted.lab, limit=np.maximum(0.5, SURE * sd)),
    }


def _mark_rect(even: EvenFace, rect_mm: tuple[float, ...]) -> np.ndarray:
    x_all, y_all = even.blocks.places_mm
    left, top, wide, high = rect_mm[:4]
    across = (x_all >= left) & (x_all <= left + wide)
    return ((y_all >= top) & (y_all <= top + high))[:, None] & across[None, :]


def _read_blocks(even: EvenFace, inside: np.ndarray, rect_mm, name: str) -> AreaTone:
    inside = inside & even.blocks.clean
    if np.count_nonzero(inside) < 16:
        raise ColourError(f"Mark {name} on clean face that the photo shows: too little of it was found there.")
    tone = even.tone
    side_mm = math.sqrt(np.count_nonzero(inside)) * even.blocks.block_mm
    part_mm = min(PART_MM, side_mm / 4)
    parts = _cut_parts(inside, max(round(part_mm / even.blocks.block_mm), 1))
    means = find_lab(np.array([average_middle(tone[part]) for part in parts])).astype(float)
    spread = means.std(axis=0, ddof=1) if len(parts) > 2 else np.full(3, 0.5)
    middle = (rect_mm[0] + rect_mm[2] / 2, rect_mm[1] + rect_mm[3] / 2)
    lab = find_lab(average_middle(tone[inside])).astype(float)
    sd = spread / max(side_mm / MOTTLE_MM, 1.2)
    return AreaTone(lab, sd, _read_grain(even, rect_mm, lab), len(parts), middle)


def _cut_parts(inside: np.ndarray, step: int) -> list[tuple[np.ndarray, np.ndarray]]:
    rows, cols = np.nonzero(inside)
    which = (rows // step) * (inside.shape[1] // step + 1) + cols // step
    order = np.argsort(which, kind="stable")
    cuts = np.flatnonzero(np.diff(which[order])) + 1
    parts = [(rows[members], cols[members]) for members in np.split(order, cuts)]
    most = max(len(part[0]) for part in parts)
    return [part for part in parts if len(part[0]) >= most / 2]


def _read_grain(even: EvenFace, rect_mm, lab: np.ndarray) -> float:
    """Return the robust sd of L* between the sizes of sand, NaN when the pixels are too coarse."""
    scale = even.face.mm_per_px
    if GRAIN_MM[0] < 0.4 * scale:
        return math.nan
    light = decode_light(np.ascontiguousarray(cut_rect(even.face, rect_mm)[:, :, 1]))
    if min(light.shape, default=0) < 16:
        return math.nan
    tone = cv2.log(np.maximum(light, np.float32(0.003)))
    fine = cv2.GaussianBlur(tone, (0, 0), max(GRAIN_MM[0] / scale / 2, 0.3))
    band = fine - cv2.GaussianBlur(tone, (0, 0), GRAIN_MM[1] / scale / 2)
    return float(1.4826 * np.median(np.abs(band - np.median(band))) * (lab[0] + 16) / 3)


def _write_sentence(answer: dict[str, Any], kind: str) -> str:
    what = {
        "sanded": "The sanded area", "wet": "The wetted area", "sealed": "The sealed area",
        "filler": "The filler", "slurry": "The slurry coat", "other": "The second area",
    }[kind]
    size = f"{answer['dE00']:.1f} dE00 ({answer['low']:.1f} to {answer['high']:.1f})"
    if answer["direction"] == "no clear shift" and answer["words"] == "no clear difference":
        sentence = f"{what} shows no clear shift of tone: {size}."
    else:
        words = answer["words"] if answer["words"] != "no clear difference" else answer["direction"]
        sentence = f"{what} is {words} by {size}."
    ratio = answer["grain_ratio"]
    if kind == "sanded" and math.isfinite(ratio):
        more = "more" if ratio > 1 else "less"
        sentence += f" Its grain is {ratio:.1f} times as strong: {more} sand shows." if abs(ratio - 1) > 0.15 else (
            " Its grain is about the same."
        )
    return sentence
