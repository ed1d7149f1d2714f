"""The table of contents: one survey of one face, from the photo to the plan, one step per line.

Read `inspect_photo` top to bottom and open the folder of the step you doubt. Nothing here measures;
each line hands the record of one step to the next.
"""

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from . import __version__
from .core.errors import ScaleError
from .core.flags import FLAGS
from .core.records import (
    COLOUR_COLUMNS,
    CardPose,
    ColourReport,
    FaceMap,
    FlatPhoto,
    GradeReport,
    Inspection,
    Lamp,
    Photo,
    Quality,
    RepairPlan,
    Scale,
    make_table,
)
from .core.settings import Settings
from .grade.agreed import Agreed, read_agreed
from .grade.classify import grade_face
from .grade.regions import describe_agreed, judge_agreed
from .light.background import flatten_light
from .light.lamp import settle_lamp
from .light.post import read_post
from .photo.quality import judge_quality
from .photo.read import read_photo
from .pits.find import build_octaves, find_pits
from .pits.measure import MeasuredPits, choose_pits, list_marks, measure_pits
from .pits.sort import Sorted, sort_candidates
from .repair.order import walk_pits
from .repair.plan import plan_repair, read_rates
from .scale.card import scale_from_card
from .scale.corners import scale_from_corners, scale_from_length, scale_from_mm_per_px
from .scale.marks import scale_from_marks
from .scale.rectify import rectify_photo

LIMITS = (
    "Counts only holes that are open at the surface and at least {smallest:g} mm across; "
    "a hole under a skin of paste is not seen.",
    "Raking light finds, it does not judge: judge the face by eye in soft light at the agreed distance.",
    "Depths marked at_least are least depths; volumes are guesses until a depth is typed in.",
    "This is a work list, not a verdict: it says nothing of strength, food safety or readiness to seal.",
)

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Given:
    """What the person says about a survey: scale, lamp, soft-light photo, what was agreed, job.

    The scale is one of `mm_per_px`; `corners_px` (four (x, y) photo pixels: the plan's top-left,
    top-right, bottom-right, bottom-left) with `slab_mm`; `marks` (file that says where fiducials lie);
    `length_px` (two (x, y)) with `length_mm`; or none of them when the scale card lies on the face
    (`corners_px` without `slab_mm` then lets the card measure the slab).
    `zones` are pour zones and openings as plain mappings; `locked` and `rates` go to the planner.
    """

    mm_per_px: float | None = None
    corners_px: Sequence[Sequence[float]] | None = None
    slab_mm: tuple[float, float] | None = None
    marks: str | Path | None = None
    length_px: Sequence[Sequence[float]] | None = None
    length_mm: float | None = None
    printed_rule_mm: float = 100.0
    lamp: Lamp = field(default_factory=Lamp)
    soft_light: str | Path | None = None
    grey_card: tuple[float, ...] | None = None
    schemes: tuple[str, ...] | None = None
    agreed: str | Path | None = None
    rates: str | Path | None = None
    locked: dict[str, str] = field(default_factory=dict)
    zones: tuple[dict[str, Any], ...] = ()
    job: dict[str, str] = field(default_factory=dict)


def inspect_photo(
    path: str | Path, given: Given, *, settings: Settings = Settings(), progress: Progress = lambda step: None
) -> Inspection:
    """Return everything one raking-light photo says about a face, sizes in mm.

    Parameters
    ----------
    path : str or Path
        The raking-light photo.
    given : Given
        What the person says: scale, lamp, soft-light photo, what was agreed, job.
    settings : Settings
    progress : callable
        Told in words what is being done.

    Returns
    -------
    Inspection
        With an empty pit table when nothing was found.

    Errors of the answer
    --------------------
    As good as its steps: see the docstrings of the functions named below and `benchmarks/README.md`.

    Source
    ------
    The order of the steps is the project's design.
    """
    progress("reading the photo")
    photo = read_photo(path, settings=settings.photo)
    agreed, settings = read_agreement(given, settings)
    scale, card = settle_scale(photo, given)
    face = cover_card(rectify_photo(photo, scale, threads=settings.find.threads), card)
    progress("telling the lamp from the surface")
    flat = flatten_light(face, settings=settings.light, threads=settings.find.threads)
    lamp = settle_lamp(flat, face, say_lamp(given, face, card), settings=settings.light)
    quality = judge_quality(
        face, flat, lamp, exif=photo.exif, smallest_mm=settings.find.smallest_mm, settings=settings.quality
    )
    progress("finding pits")
    octaves = build_octaves(flat, settings=settings.find)
    candidates = find_pits(octaves, lamp, face.mm_per_px, settings=settings.find)
    progress("sorting pits from what only looks like one")
    entries = sort_candidates(octaves, candidates, lamp, face.mm_per_px, settings=settings.sort)
    measured = measure_chosen(entries, (face, flat), lamp, scale, settings)
    marks = list_marks(entries, face.mm_per_px, smallest_mm=settings.find.smallest_mm)
    progress("grading and planning")
    grade = grade_measured(given, agreed, measured.pits, face, (quality, settings))
    colour = read_colour(given, measured, marks, settings)
    plan = make_plan(given, agreed, measured.pits, face, (grade, settings))
    return Inspection(
        photos=(describe_photo(photo, "raking"),),
        quality=quality,
        scale=scale,
        lamp=lamp,
        face=face,
        pits=measured.pits,
        marks=marks,
        zones=given.zones,
        grade=grade,
        colour=colour,
        plan=plan,
        settings=record_settings(settings, agreed, grade),
        version=__version__,
        job=given.job,
        outlines_mm=measured.outlines_mm,
        limits_of_this_answer=state_limits(settings.find.smallest_mm),
        warnings=collect_warnings(photo, scale, lamp),
        evidence=measured.evidence,
    )


def read_agreement(given: Given, settings: Settings) -> tuple[Agreed | None, Settings]:
    """Return what was agreed (None when nothing was) and settings that count from the agreed size."""
    if given.agreed is None:
        return None, settings
    agreed = read_agreed(given.agreed)
    smallest_mm = min(settings.find.smallest_mm, agreed.smallest_mm)
    return agreed, change_settings(settings, find={"smallest_mm": smallest_mm})


def settle_scale(photo: Photo, given: Given) -> tuple[Scale, CardPose | None]:
    """Return the scale from what was given, and the card's place when the card gave it."""
    ways = [given.mm_per_px, given.marks, given.length_px, given.slab_mm]
    if sum(way is not None for way in ways) > 1:
        raise ScaleError("Give the scale in one way only: mm per pixel, four corners, marks or one length.")
    if given.mm_per_px is not None:
        return scale_from_mm_per_px(photo.shape_px, given.mm_per_px), None
    if given.marks is not None:
        return scale_from_marks(photo, given.marks), None
    if given.length_px is not None and given.length_mm is not None:
        return scale_from_length(*given.length_px, given.length_mm, photo.shape_px), None
    if given.slab_mm is not None:
        if given.corners_px is None:
            raise ScaleError("With the slab's size, give its four corners in the photo too: --corners.")
        return scale_from_corners(given.corners_px, given.slab_mm, photo.shape_px), None
    return scale_from_card(photo, printed_rule_mm=given.printed_rule_mm, corners_px=given.corners_px)


def cover_card(face: FaceMap, card: CardPose | None) -> FaceMap:
    """Return the face with the card's place marked as not seen."""
    if card is None:
        return face
    outline_px = np.round(np.asarray(card.outline_mm) / face.mm_per_px - 0.5).astype(np.int32)
    hidden = np.zeros(face.seen.shape, np.uint8)
    cv2.fillConvexPoly(hidden, outline_px, 1)
    return dataclasses.replace(face, seen=face.seen & ~hidden.astype(bool))


def say_lamp(given: Given, face: FaceMap, card: CardPose | None) -> Lamp:
    """Return the lamp as said, or as the card's post shows when nothing was said."""
    if card is None or given.lamp.is_side_known:
        return given.lamp
    return read_post(face, card)


def measure_chosen(
    entries: Sorted, seen: tuple[FaceMap, FlatPhoto], lamp: Lamp, scale: Scale, settings: Settings
) -> MeasuredPits:
    """Return the pits that are sure and large enough, measured and numbered in walking order."""
    face, flat = seen
    chosen = choose_pits(
        entries,
        face.mm_per_px,
        smallest_mm=settings.find.smallest_mm,
        confidence_min=settings.sort.confidence_min,
    )
    measured = measure_pits(chosen, face, flat, lamp, scale=scale, settings=settings.measure)
    return number_pits(measured, face.size_mm, settings.report.sheet_field_mm)


def grade_measured(
    given: Given, agreed: Agreed | None, pits: pd.DataFrame, face: FaceMap, judged: tuple[Quality, Settings]
) -> GradeReport:
    """Return the grades and, when something was agreed, what was measured against every agreed limit."""
    quality, settings = judged
    smallest_mm = quality.smallest_countable_mm
    grade = grade_face(
        pits, face, smallest_countable_mm=smallest_mm, schemes=given.schemes, settings=settings.grade
    )
    if agreed is None:
        return grade
    entries = judge_agreed(agreed, pits, face, smallest_countable_mm=smallest_mm)
    return dataclasses.replace(grade, agreed=entries)


def make_plan(
    given: Given, agreed: Agreed | None, pits: pd.DataFrame, face: FaceMap, made: tuple[GradeReport, Settings]
) -> RepairPlan:
    """Return the repair plan with the shop's own rates and the person's fixed choices."""
    grade, settings = made
    return plan_repair(
        pits,
        face,
        grade,
        zones=given.zones,
        settings=settings.repair,
        agreed=agreed,
        locked=given.locked or None,
        rates=read_rates(given.rates) if given.rates is not None else None,
    )


def record_settings(settings: Settings, agreed: Agreed | None, grade: GradeReport) -> dict[str, Any]:
    """Return all settings as plain values, with what was agreed beside them."""
    saved = settings.to_mapping()
    if agreed is not None:
        saved["agreed"] = describe_agreed(agreed, grade.agreed)
    return saved


def number_pits(measured: MeasuredPits, face_size_mm: tuple[float, float], field_mm: float) -> MeasuredPits:
    """Return the pits in walking order from the front-left corner, numbered from 1."""
    order = np.asarray(walk_pits(measured.pits, face_size_mm, field_mm), int)
    pits = measured.pits.iloc[order].reset_index(drop=True)
    pits["pit_id"] = np.arange(1, len(pits) + 1)
    evidence = measured.evidence.iloc[order].reset_index(drop=True)
    evidence["pit_id"] = pits["pit_id"]
    return MeasuredPits(pits, tuple(measured.outlines_mm[k] for k in order), evidence)


def read_colour(
    given: Given,
    measured: MeasuredPits,
    marks: pd.DataFrame,
    settings: Settings,
) -> ColourReport:
    """Return the tone of the face from the soft-light photo, or an empty report when there is none."""
    if given.soft_light is None:
        note = "No soft-light photo was given, so the tone was not measured."
        return ColourReport(make_table(COLOUR_COLUMNS), notes=(note,))
    from .colour.balance import Shoot
    from .colour.uniformity import measure_colour

    photo = read_photo(given.soft_light, settings=settings.photo)
    scale, card = settle_scale(photo, given)
    face = cover_card(rectify_photo(photo, scale, threads=settings.find.threads), card)
    shoot = Shoot(exif=photo.exif, profile=photo.profile)
    return measure_colour(
        face,
        grey=given.grey_card or _grey_of(card),
        leave_out=(measured.pits, marks),
        zones=given.zones,
        shoot=shoot,
        settings=settings.colour,
    )


def _grey_of(card: CardPose | None) -> tuple[float, float, float, float] | None:
    """The card's own grey patch as x, y, width, height in slab mm."""
    if card is None:
        return None
    patch = np.asarray(card.grey_patch_mm, float)
    low, high = patch.min(axis=0), patch.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def describe_photo(photo: Photo, kind: str) -> dict[str, Any]:
    """Return what the record keeps of a photo: never its position, never serial numbers."""
    rows, cols = photo.shape_px
    return {
        "name": photo.name,
        "kind": kind,
        "sha256": photo.sha256,
        "rows_px": rows,
        "cols_px": cols,
        "profile": photo.profile,
        "exif": dict(photo.exif),
        "notes": list(photo.notes),
    }


def state_limits(smallest_mm: float) -> tuple[str, ...]:
    """Return the sentences that every answer carries."""
    return tuple(sentence.format(smallest=smallest_mm) for sentence in LIMITS)


def collect_warnings(photo: Photo, scale: Scale, lamp: Lamp) -> tuple[str, ...]:
    """Return the doubts about photo, scale and lamp as sentences, each once."""
    said = [flag.meaning for flag in FLAGS if flag.about == "photo" and (scale.flags | lamp.flags) & flag.bit]
    return tuple(dict.fromkeys([*photo.notes, *scale.notes, *lamp.notes, *said]))


def change_settings(settings: Settings, **steps: dict[str, Any]) -> Settings:
    """Return settings with some values of some steps changed: `change_settings(s, find={"smallest_mm": 2})`."""
    changed = {
        name: dataclasses.replace(getattr(settings, name), **values) for name, values in steps.items() if values
    }
    return dataclasses.replace(settings, **changed)
