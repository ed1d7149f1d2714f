"""The table of contents: one survey of one face, from the photo to the plan, one step per line.

Read `inspect_photo` top to bottom and open the folder of the step you doubt. Nothing here measures;
each line hands the record of one step to the next.
"""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from . import __version__
from .core.errors import LampError, ScaleError
from .core.flags import FLAGS, flag_bit
from .core.outlines import is_inside, zone_outline
from .core.records import (
    COLOUR_COLUMNS,
    CardPose,
    ColourReport,
    FaceMap,
    GradeReport,
    Inspection,
    Lamp,
    Lens,
    Photo,
    Quality,
    RepairPlan,
    Scale,
    make_table,
)
from .core.settings import Settings
from .core.threads import share_out
from .grade.agreed import Agreed, narrow_to_face, read_agreed
from .grade.classify import grade_face
from .grade.regions import describe_agreed, judge_agreed
from .light.lamp import join_post
from .light.post import read_post
from .opening import open_photo
from .photo.read import read_photo
from .pits.measure import MeasuredPits
from .pits.pins import PinDepth, apply_pins
from .pits.zones import find_zones, mark_pits
from .reading import OtherPhoto, Placed, Progress, Reading, read_face, read_under_lamps
from .repair.order import walk_pits
from .repair.plan import plan_repair, read_rates
from .scale.card import place_card, scale_from_card
from .scale.corners import face_corners, scale_from_length, scale_from_mm_per_px
from .scale.edges import offer_corners, scale_from_slab_edges
from .scale.fiducials import Fiducial
from .scale.lens import read_lens, use_lens
from .scale.marks import cover_papers, find_papers, read_marks, scale_from_marks
from .scale.rectify import rectify_photo
from .scale.zones import ZONE_KINDS, hide_outlines

LIMITS = (
    "Counts only holes that are open at the surface and at least {smallest:g} mm across; "
    "a hole under a skin of paste is not seen.",
    "Raking light finds, it does not judge: judge the face by eye in soft light at the agreed distance.",
    "Depths marked at_least are least depths; volumes are guesses until a depth is typed in.",
    "This is a work list, not a verdict: it says nothing of strength, food safety or readiness to seal.",
)

LAMPS_APART_MIN_DEG = 20.0  # a lamp nearer to the first shows nothing new; our choice
CORNER_SUPPORT_MIN = 0.6  # share of the weakest side that must show an edge for corners to be taken

@dataclass(frozen=True, slots=True)
class Given:
    """What the person says about a survey: scale, lamp, soft-light photo, what was agreed, job.

    The scale is one of `mm_per_px`; `corners_px` (four (x, y) photo pixels: the plan's top-left,
    top-right, bottom-right, bottom-left) with `slab_mm`; `slab_mm` alone (the corners are looked for);
    `marks` (file that says where fiducials lie; `slab_mm` when it does not give the slab's size);
    `length_px` (two (x, y)) with `length_mm`; or none of them when the scale card lies on the face
    (`corners_px` without `slab_mm` then lets the card measure the slab). `lens` is a file made by
    `rakelight lens`. `zones` are plain mappings with name, kind (pour, part, opening, slab) and
    outline_mm or a box, as `scale.zones.read_zones` returns them: openings and what lies outside the
    slab are not face. `other_lamps` are further photos from the same camera place, each with its
    lamp; `pin_depths` are depths that a person measured. `locked` and `rates` go to the planner. What
    was `agreed` for the face `face_name` holds ("" is the top).
    """

    mm_per_px: float | None = None
    corners_px: Sequence[Sequence[float]] | None = None
    slab_mm: tuple[float, float] | None = None
    marks: str | Path | None = None
    length_px: Sequence[Sequence[float]] | None = None
    length_mm: float | None = None
    printed_rule_mm: float = 100.0
    lens: str | Path | None = None
    lamp: Lamp = field(default_factory=Lamp)
    other_lamps: tuple[tuple[str | Path, Lamp], ...] = ()
    pin_depths: tuple[PinDepth, ...] = ()
    soft_light: str | Path | None = None
    soft_corners_px: Sequence[Sequence[float]] | None = None
    flat_field: str | Path | None = None
    turned: str | Path | None = None
    patches: str | Path | None = None
    grey_card: tuple[float, ...] | None = None
    schemes: tuple[str, ...] | None = None
    agreed: str | Path | None = None
    rates: str | Path | None = None
    locked: dict[str, str] = field(default_factory=dict)
    zones: tuple[dict[str, Any], ...] = ()
    job: dict[str, str] = field(default_factory=dict)
    face_name: str = ""


def inspect_photo(
    path: str | Path,
    given: Given,
    *,
    settings: Settings = Settings(),
    progress: Progress = lambda step: None,
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
    agreed, settings = read_agreement(given, settings)
    photo, scale, card = open_photo(path, given, settings, settle_scale)
    face = hide_what_is_no_face(
        rectify_photo(photo, scale, threads=settings.find.threads), photo, scale, card, given
    )
    others = see_other_lamps(photo, scale, card, given, settings)
    photos = (describe_photo(photo, "raking"), *(other.entry for other in others))
    placed = Placed(face, scale, photos, list_edges(given, scale), photo.notes)
    said = say_lamp(given, face, card)
    if others:
        how = (settings, progress)
        reading = read_under_lamps(placed, said, photo.exif, others=others, how=how)
        placed = dataclasses.replace(placed, notes=(*placed.notes, *reading.notes))
    else:
        reading = read_face(placed, said, photo.exif, settings=settings, progress=progress)
    progress("grading and planning")
    return conclude(placed, reading, given, agreed, settings=settings)


def see_other_lamps(
    photo: Photo, scale: Scale, card: CardPose | None, given: Given, settings: Settings
) -> list[OtherPhoto]:
    """Return the further photos of the same face from the same camera place, the lamp moved."""
    how = {"settings": settings.photo, "threads": settings.find.threads}
    others = []
    for path, said in given.other_lamps:
        other = read_photo(path, choose_shrink=lambda shape_px: photo.shrink, **how)
        if other.shape_px != photo.shape_px:
            raise LampError(
                f"{other.name} is not as large as {photo.name}: photos under several lamps are taken from one"
                " place with one camera, moving only the lamp."
            )
        check_moved_lamp(photo, given.lamp, other, said)
        face = rectify_photo(other, scale, threads=settings.find.threads)
        face = hide_what_is_no_face(face, photo, scale, card, given)
        entry = describe_photo(other, "raking") | {"lamp": describe_said(said)}
        others.append(OtherPhoto(other.name, face, said, other.exif, entry))
    return others


def check_moved_lamp(photo: Photo, lamp: Lamp, other: Photo, said: Lamp) -> None:
    """Raise a LampError when the other photo is the same one, or its lamp stood at the same side."""
    if other.sha256 == photo.sha256:
        raise LampError(f"{other.name} is the very photo given first: move the lamp and take another one.")
    apart_deg = abs((said.from_deg - lamp.from_deg + 180) % 360 - 180)
    if apart_deg < LAMPS_APART_MIN_DEG:
        raise LampError(
            f"The lamp of {other.name} stood at the same side as that of {photo.name}: a second photo helps when"
            f" the lamp has moved by {LAMPS_APART_MIN_DEG:g} degrees or more."
        )


def describe_said(lamp: Lamp) -> dict[str, Any]:
    """Return what the record keeps of a lamp that was said."""
    return {name: getattr(lamp, name) for name in ("from_deg", "angle_deg", "at_mm", "basis")}


def conclude(
    placed: Placed, reading: Reading, given: Given, agreed: Agreed | None, *, settings: Settings
) -> Inspection:
    """Return the whole record: pits numbered, graded, rated for tone and planned for."""
    face = placed.face
    measured = number_pits(reading.measured, face.size_mm, settings.report.sheet_field_mm)
    pits = apply_pins(name_zones(measured.pits, given.zones), given.pin_depths)
    grading = (given, agreed, pits, face, (reading.quality, settings))
    threads = settings.find.threads
    asked = (
        lambda: find_zones(pits, face, settings=settings.zones, threads=threads),
        lambda: grade_measured(*grading),
    )
    crowds, grade = share_out(lambda step: step(), asked, threads=threads)
    measured = dataclasses.replace(measured, pits=mark_pits(pits, crowds))
    colour = read_colour(given, placed, reading, measured.pits, settings)
    plan = make_plan(given, agreed, measured.pits, face, (grade, settings))
    return Inspection(
        photos=placed.photos,
        quality=reading.quality,
        scale=placed.scale,
        lamp=reading.lamp,
        face=face,
        pits=measured.pits,
        marks=reading.marks,
        zones=(*given.zones, *crowds.zones),
        grade=grade,
        colour=colour,
        plan=plan,
        settings=record_settings(settings, agreed, grade),
        version=__version__,
        job=given.job,
        outlines_mm=measured.outlines_mm,
        limits_of_this_answer=state_limits(settings.find.smallest_mm),
        warnings=collect_warnings(placed, reading.lamp),
        evidence=measured.evidence,
        scatter=crowds.describe_scatter(settings.zones),
    )


def read_agreement(given: Given, settings: Settings) -> tuple[Agreed | None, Settings]:
    """Return what was agreed for the face (None when nothing was) and settings that count from the agreed size."""
    agreed = given.agreed and narrow_to_face(read_agreed(given.agreed), given.face_name)
    if not agreed:
        return None, settings
    smallest_mm = min(settings.find.smallest_mm, agreed.smallest_mm)
    return agreed, change_settings(settings, find={"smallest_mm": smallest_mm})


def settle_scale(
    photo: Photo, given: Given, *, seen: Sequence[Fiducial] | None = None
) -> tuple[Scale, CardPose | None]:
    """Return the scale from what was given, and the card's place; `seen` : fiducials looked for before."""
    check_ways(given)
    lens = None if given.lens is None else read_lens(given.lens, photo.shape_px)
    if given.mm_per_px is not None:
        scale = use_lens(scale_from_mm_per_px(photo.shape_px, given.mm_per_px), lens)
    elif given.length_px is not None:
        scale = use_lens(scale_from_length(*given.length_px, given.length_mm, photo.shape_px), lens)
    elif given.marks is not None:
        scale = scale_from_marks(photo, given.marks, size_mm=given.slab_mm, lens=lens)
    elif given.slab_mm is not None:
        scale = scale_from_slab(photo, given, lens)
    else:
        return scale_from_lying_card(photo, given, lens)
    return place_card(photo, scale, printed_rule_mm=given.printed_rule_mm, seen=seen)


def scale_from_lying_card(
    photo: Photo, given: Given, lens: Lens | None
) -> tuple[Scale, CardPose | None]:
    """Return the scale from the card on the face; corners without a size let it measure the slab."""
    try:
        return scale_from_card(
            photo, printed_rule_mm=given.printed_rule_mm, corners_px=given.corners_px, lens=lens
        )
    except ScaleError:
        if given.corners_px is None:
            raise
        raise ScaleError(
            f"No scale card was found in {photo.name}: with the corners give the slab's size too"
            " (--slab 2400x700), or lay the card on the face."
        ) from None


def check_ways(given: Given) -> None:
    """Raise a ScaleError when the scale was given in two ways, or one of them by half."""
    ways = [given.mm_per_px, given.marks, given.length_px, given.corners_px]
    if given.marks is None and given.corners_px is None:
        ways.append(given.slab_mm)
    if sum(way is not None for way in ways) > 1:
        raise ScaleError(
            "Give the scale in one way only: mm per pixel, four corners, marks or one length."
        )
    if (given.length_px is None) != (given.length_mm is None):
        missing = "its length in mm" if given.length_mm is None else "its two ends in the photo"
        raise ScaleError(f"A known length needs {missing} too.")


def scale_from_slab(photo: Photo, given: Given, lens: Lens | None) -> Scale:
    """Return the scale from the slab's size and its corners: those given, or else those found."""
    if given.corners_px is not None:
        return scale_from_slab_edges(photo, given.corners_px, given.slab_mm, lens=lens)
    offer = offer_corners(photo)
    if offer is None or not offer.support >= CORNER_SUPPORT_MIN:
        raise ScaleError(
            "The slab's four edges do not stand out clearly in the photo; give its corners too: --corners."
        )
    scale = scale_from_slab_edges(photo, offer.corners_px, given.slab_mm, lens=lens)
    places = " ".join(f"{x:.0f},{y:.0f}" for x, y in offer.corners_px)
    note = (
        f"The slab's corners were found in the photo, not given ({places}): check on the map that they are"
        " the slab's, with the photo's top as the plan's top."
    )
    return dataclasses.replace(scale, notes=(note, *scale.notes))


def hide_what_is_no_face(
    face: FaceMap, photo: Photo, scale: Scale, card: CardPose | None, given: Given
) -> FaceMap:
    """Return the face without what hides it (card, papers of marks) and what is not face (openings)."""
    seen = face.seen.copy()
    papers = find_papers(photo, scale) if given.marks is not None else []
    cover_papers(seen, [*papers, *([] if card is None else [card.outline_mm])], face.mm_per_px)
    hide_zones(seen, face.mm_per_px, given)
    return dataclasses.replace(face, seen=seen)


def hide_zones(seen: np.ndarray, mm_per_px: float, given: Given) -> None:
    """Mark openings and what lies outside the slab's outline as not seen, in place."""
    openings, slabs = list_outlines(given, "opening"), list_outlines(given, "slab")
    if openings or slabs:
        hide_outlines(seen, mm_per_px, openings_mm=openings, slab_mm=slabs[0] if slabs else None)


def list_outlines(given: Given, kind: str) -> list[np.ndarray]:
    """Return the outlines (n, 2) in slab mm of all zones of a kind."""
    return [zone_outline(zone) for zone in given.zones if zone.get("kind") == kind]


def list_edges(given: Given, scale: Scale) -> tuple[np.ndarray, ...]:
    """Return the edges that are really known: the slab's outline and its openings.

    The border of a photo placed by the card, by marks without the slab's size or by a plain mm per
    pixel is no edge of the slab.
    """
    slabs = list_outlines(given, "slab")
    is_known = given.corners_px is not None or given.slab_mm is not None
    is_known = is_known or (given.marks is not None and read_marks(given.marks).size_mm is not None)
    if not slabs and is_known:
        slabs = [face_corners(scale.size_mm)]
    return (*slabs, *list_outlines(given, "opening"))


def name_zones(pits: pd.DataFrame, zones: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return the pits with the name of the pour zone or part each lies in."""
    names = pits["zone"].to_numpy(object).copy()
    x_mm, y_mm = pits["x_mm"].to_numpy(), pits["y_mm"].to_numpy()
    for zone in zones:
        if zone.get("kind", "pour") in ZONE_KINDS:
            names[is_inside(zone_outline(zone), x_mm, y_mm) & (names == "")] = str(
                zone.get("name", "")
            )
    return pits.assign(zone=pd.Series(names, index=pits.index, dtype=pits["zone"].dtype))


def say_lamp(given: Given, face: FaceMap, card: CardPose | None) -> Lamp:
    """Return the lamp as said, held against the shadow of the card's post where it stands."""
    return given.lamp if card is None else join_post(given.lamp, read_post(face, card))


def grade_measured(
    given: Given,
    agreed: Agreed | None,
    pits: pd.DataFrame,
    face: FaceMap,
    judged: tuple[Quality, Settings],
) -> GradeReport:
    """Return the grades and, when something was agreed, what was measured against every agreed limit."""
    quality, settings = judged
    smallest_mm = quality.smallest_countable_mm
    grade = grade_face(
        pits,
        face,
        smallest_countable_mm=smallest_mm,
        schemes=given.schemes,
        settings=settings.grade,
    )
    if agreed is None:
        return grade
    entries = judge_agreed(agreed, pits, face, smallest_countable_mm=smallest_mm)
    return dataclasses.replace(grade, agreed=entries)


def make_plan(
    given: Given,
    agreed: Agreed | None,
    pits: pd.DataFrame,
    face: FaceMap,
    made: tuple[GradeReport, Settings],
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


def record_settings(
    settings: Settings, agreed: Agreed | None, grade: GradeReport
) -> dict[str, Any]:
    """Return all settings as plain values, with what was agreed beside them."""
    saved = settings.to_mapping()
    if agreed is not None:
        saved["agreed"] = describe_agreed(agreed, grade.agreed)
    return saved


def number_pits(
    measured: MeasuredPits, face_size_mm: tuple[float, float], field_mm: float
) -> MeasuredPits:
    """Return the pits in walking order from the front-left corner, numbered from 1."""
    order = np.asarray(walk_pits(measured.pits, face_size_mm, field_mm), int)
    pits = measured.pits.iloc[order].reset_index(drop=True)
    pits["pit_id"] = np.arange(1, len(pits) + 1)
    evidence = measured.evidence.iloc[order].reset_index(drop=True)
    evidence["pit_id"] = pits["pit_id"]
    return MeasuredPits(pits, tuple(measured.outlines_mm[k] for k in order), evidence)


def read_colour(
    given: Given, placed: Placed, reading: Reading, pits: pd.DataFrame, settings: Settings
) -> ColourReport:
    """Return the tone of the face from the soft-light photo, or an empty report when there is none."""
    if given.soft_light is None:
        note = "No soft-light photo was given, so the tone was not measured."
        return ColourReport(make_table(COLOUR_COLUMNS), notes=(note,))
    from .soft_light import RakingFrame, SoftPhotos, read_tone

    def place(
        photo: Photo, changes: Mapping[str, Any], light: np.ndarray | None, scale: Scale | None
    ) -> tuple[FaceMap, Scale, CardPose | None]:
        own = dataclasses.replace(given, **changes)
        known, card = settle_scale(photo, own) if scale is None else (scale, None)
        seen = photo if light is None else dataclasses.replace(photo, rgb=light)
        face = rectify_photo(seen, known, threads=settings.find.threads)
        return hide_what_is_no_face(face, photo, known, card, own), known, card

    frame = RakingFrame.of(given, placed.photos, placed.scale.size_mm)
    leave_out = (pits, reading.marks)
    return read_tone(
        SoftPhotos.of(given),
        place,
        frame,
        leave_out=leave_out,
        zones=given.zones,
        settings=settings,
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
        "read_shrink": photo.shrink,
        "profile": photo.profile,
        "exif": dict(photo.exif),
        "notes": list(photo.notes),
    }


def state_limits(smallest_mm: float) -> tuple[str, ...]:
    """Return the sentences that every answer carries."""
    return tuple(sentence.format(smallest=smallest_mm) for sentence in LIMITS)


def collect_warnings(placed: Placed, lamp: Lamp) -> tuple[str, ...]:
    """Return the doubts about photo, scale and lamp as sentences, each once."""
    bits = placed.scale.flags | lamp.flags
    if lamp.is_side_contradicted and lamp.notes:  # its note says it with the side
        bits &= ~flag_bit("lamp_side_contradicted")
    said = [flag.meaning for flag in FLAGS if flag.about == "photo" and bits & flag.bit]
    return tuple(dict.fromkeys([*placed.notes, *placed.scale.notes, *lamp.notes, *said]))


def change_settings(settings: Settings, **steps: dict[str, Any]) -> Settings:
    """Return settings with some values of some steps changed: `change_settings(s, find={"smallest_mm": 2})`."""
    changed = {
        name: dataclasses.replace(getattr(settings, name), **values)
        for name, values in steps.items()
        if values
    }
    return dataclasses.replace(settings, **changed)
