"""The table of contents: one survey of one face, from the photo to the plan, one step per line.

Read `inspect_photo` top to bottom and open the folder of the step you doubt. Nothing here measures;
each line hands the record of one step to the next.
"""

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from . import __version__
from .core.errors import LampError, ScaleError
from .core.flags import FLAGS
from .core.records import COLOUR_COLUMNS, ColourReport, Inspection, Lamp, Photo, Scale, make_table
from .core.settings import Settings
from .grade.classify import grade_face
from .light.background import flatten_light
from .light.lamp import settle_lamp
from .photo.quality import judge_quality
from .photo.read import read_photo
from .pits.find import build_octaves, find_pits
from .pits.measure import MeasuredPits, choose_pits, list_marks, measure_pits
from .pits.sort import sort_candidates
from .repair.order import walk_pits
from .repair.plan import plan_repair
from .scale.corners import scale_from_corners, scale_from_length, scale_from_mm_per_px
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
    """What the person says about a survey: scale, lamp, soft-light photo, job.

    Give one of `mm_per_px`; `corners_px` (four (x, y) photo pixels: the plan's top-left, top-right,
    bottom-right, bottom-left) with `slab_mm`; or `length_px` (two (x, y)) with `length_mm`.
    `smallest_mm`, `schemes`, `agreed` and `locked` override the settings of the steps they belong to.
    """

    mm_per_px: float | None = None
    corners_px: Sequence[Sequence[float]] | None = None
    slab_mm: tuple[float, float] | None = None
    length_px: Sequence[Sequence[float]] | None = None
    length_mm: float | None = None
    lamp: Lamp = field(default_factory=Lamp)
    soft_light: str | Path | None = None
    grey_card: tuple[float, ...] | None = None
    schemes: tuple[str, ...] | None = None
    agreed: str | Path | None = None
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
        What the person says: scale, lamp, soft-light photo, job.
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
    scale = settle_scale(photo, given)
    face = rectify_photo(photo, scale, threads=settings.find.threads)
    progress("telling the lamp from the surface")
    flat = flatten_light(face, settings=settings.light, threads=settings.find.threads)
    lamp = settle_lamp(flat, face, given.lamp, settings=settings.light)
    quality = judge_quality(
        face, flat, lamp, exif=photo.exif, smallest_mm=settings.find.smallest_mm, settings=settings.quality
    )
    progress("finding pits")
    octaves = build_octaves(flat, settings=settings.find)
    candidates = find_pits(octaves, lamp, face.mm_per_px, settings=settings.find)
    progress("sorting pits from what only looks like one")
    entries = sort_candidates(octaves, candidates, lamp, face.mm_per_px, settings=settings.sort)
    chosen = choose_pits(
        entries,
        face.mm_per_px,
        smallest_mm=settings.find.smallest_mm,
        confidence_min=settings.sort.confidence_min,
    )
    measured = measure_pits(chosen, face, flat, lamp, scale=scale, settings=settings.measure)
    measured = number_pits(measured, face.size_mm, settings.repair.field_mm)
    marks = list_marks(entries, face.mm_per_px, smallest_mm=settings.find.smallest_mm)
    progress("grading and planning")
    grade = grade_face(
        measured.pits,
        face,
        smallest_countable_mm=quality.smallest_countable_mm,
        schemes=given.schemes,
        settings=settings.grade,
    )
    colour = read_colour(given, scale, measured, marks, settings)
    plan = plan_repair(measured.pits, face, grade, settings=settings.repair)
    return Inspection(
        photos=(describe_photo(photo, "raking"),),
        quality=quality,
        scale=scale,
        lamp=lamp,
        face=face,
        pits=measured.pits,
        marks=marks,
        zones=(),
        grade=grade,
        colour=colour,
        plan=plan,
        settings=settings.to_mapping(),
        version=__version__,
        job=given.job,
        outlines_mm=measured.outlines_mm,
        limits_of_this_answer=state_limits(settings.find.smallest_mm),
        warnings=collect_warnings(photo, scale, lamp),
    )


def settle_scale(photo: Photo, given: Given) -> Scale:
    """Return the scale from what was given; a ScaleError says what is missing."""
    ways = [given.mm_per_px is not None, given.corners_px is not None, given.length_px is not None]
    if sum(ways) > 1:
        raise ScaleError("Give the scale in one way only: mm per pixel, four corners or one length.")
    if given.mm_per_px is not None:
        return scale_from_mm_per_px(photo.shape_px, given.mm_per_px)
    if given.corners_px is not None:
        if given.slab_mm is None:
            raise ScaleError("With the four corners, give the slab's size too, such as --slab 2400x700.")
        return scale_from_corners(given.corners_px, given.slab_mm, photo.shape_px)
    if given.length_px is not None and given.length_mm is not None:
        return scale_from_length(*given.length_px, given.length_mm, photo.shape_px)
    raise ScaleError(
        "Say how big a pixel is: --mm-per-px, or --corners with --slab, so that pits can be sized in mm."
    )


def number_pits(measured: MeasuredPits, face_size_mm: tuple[float, float], field_mm: float) -> MeasuredPits:
    """Return the pits in walking order from the front-left corner, numbered from 1."""
    order = np.asarray(walk_pits(measured.pits, face_size_mm, field_mm), int)
    pits = measured.pits.iloc[order].reset_index(drop=True)
    pits["pit_id"] = np.arange(1, len(pits) + 1)
    evidence = measured.evidence.iloc[order].reset_index(drop=True)
    return MeasuredPits(pits, tuple(measured.outlines_mm[k] for k in order), evidence)


def read_colour(
    given: Given, scale: Scale, measured: MeasuredPits, marks: pd.DataFrame, settings: Settings
) -> ColourReport:
    """Return the tone of the face from the soft-light photo, or an empty report when there is none."""
    if given.soft_light is None:
        note = "No soft-light photo was given, so the tone was not measured."
        return ColourReport(make_table(COLOUR_COLUMNS), notes=(note,))
    from .colour.balance import Shoot
    from .colour.uniformity import measure_colour

    photo = read_photo(given.soft_light, settings=settings.photo)
    face = rectify_photo(photo, settle_scale(photo, given), threads=settings.find.threads)
    shoot = Shoot(exif=photo.exif, profile=photo.profile)
    return measure_colour(
        face, grey=given.grey_card, leave_out=(measured.pits, marks), shoot=shoot, settings=settings.colour
    )


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


def check_lamp_given(lamp: Lamp) -> Lamp:
    """Return the lamp as given, or raise a LampError when side and place contradict each other."""
    if lamp.at_mm is not None and np.isfinite(lamp.from_deg):
        raise LampError("Give the lamp's side and angle, or its place, not both.")
    return lamp


def change_settings(settings: Settings, **steps: dict[str, Any]) -> Settings:
    """Return settings with some values of some steps changed: `change_settings(s, find={"smallest_mm": 2})`."""
    changed = {
        name: dataclasses.replace(getattr(settings, name), **values) for name, values in steps.items() if values
    }
    return dataclasses.replace(settings, **changed)
