"""What a face under one lamp, or under several, gives: the lamp, the verdict on the photo, pits and marks.

`read_face` is the table of contents of one photo; `read_under_lamps` reads further photos of the
same face from the same camera place with the lamp moved, and pools what all of them say.
"""

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from .core.records import FaceMap, Lamp, Quality, Scale
from .core.settings import Settings
from .core.threads import share_out
from .light.background import flatten_light
from .light.lamp import settle_lamp
from .photo.exposure import measure_exposure
from .photo.quality import Looks, judge_quality
from .photo.sharpness import measure_sharpness
from .photo.subject import look_at_subject
from .pits.find import build_octaves, find_pits
from .pits.lamps import LampView, Pooled, measure_depths, pool_lamps
from .pits.measure import (
    MeasuredPits,
    choose_pits,
    flag_uncountable,
    list_marks,
    measure_pits,
    settle_depths,
)
from .pits.sort import Sorted, sort_candidates

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Placed:
    """A face laid on the slab: its map, its scale, its photos as kept in the record, and doubts in words.

    edges_mm : outlines (n, 2) of the slab and its openings where they are really known.
    """

    face: FaceMap
    scale: Scale
    photos: tuple[dict[str, Any], ...]
    edges_mm: tuple[np.ndarray, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """What a face gave: the lamp, the verdict on the photo, pits and marks, and doubts in words."""

    lamp: Lamp
    quality: Quality
    measured: MeasuredPits
    marks: pd.DataFrame
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OtherPhoto:
    """Another photo of the same face from the same camera place, the lamp moved; entry : what the record keeps."""

    name: str
    face: FaceMap
    said: Lamp
    exif: Mapping[str, Any] = field(default_factory=dict)
    entry: dict[str, Any] = field(default_factory=dict)


def read_face(
    placed: Placed, said: Lamp, exif: Mapping[str, Any], *, settings: Settings, progress: Progress
) -> Reading:
    """Return what a face under one lamp gives: lamp, verdict on the photo, pits and marks."""
    view, quality = look_under_lamp(placed.face, said, exif, settings=settings, progress=progress)
    measured = measure_chosen(view.entries, placed, view, settings)
    marks = list_marks(view.entries, placed.face.mm_per_px, smallest_mm=settings.find.smallest_mm)
    return Reading(view.lamp, quality, refuse_small(measured, quality), marks)


def read_under_lamps(
    placed: Placed,
    said: Lamp,
    exif: Mapping[str, Any],
    *,
    others: Sequence[OtherPhoto],
    how: tuple[Settings, Progress],
) -> Reading:
    """Return what a face under several lamps gives, all places on the map of the first photo.

    Errors of the answer: `pits.lamps.pool_lamps`, `pits.lamps.measure_depths`. A photo that cannot be laid
    on the first is left out, which is said. The verdict is that of the first photo.
    """
    settings, progress = how
    first, quality = look_under_lamp(placed.face, said, exif, settings=settings, progress=progress)
    views, laid, notes = [first], [], []
    for other in others:
        progress(f"{other.name}: the same face under another lamp")
        view, verdict = look_under_lamp(
            other.face, other.said, other.exif, settings=settings, progress=lambda step: None
        )
        notes += [f"{other.name}: {note}" for note in view.lamp.notes]
        if view.lamp.is_side_contradicted:
            notes.append(
                f"{other.name} was left out: it looks lit from another side than was said; give the side"
                " its light came from."
            )
            continue
        views.append(view)
        laid.append(other.name)
        if verdict.verdict == "retake":
            notes.append(
                f"{other.name}: {verdict.advice[0] if verdict.advice else 'take it again'}"
            )
    pooled = pool_lamps(views)
    kept = [k for k, one in enumerate(pooled.registrations) if one.n_pairs > 0]
    if len(kept) < len(laid):
        out = [name for k, name in enumerate(laid) if k not in kept]
        notes.append(
            f"{', '.join(out)} could not be laid on the first photo and was left out: take the photos from"
            " one place, moving only the lamp."
        )
        pooled = pool_lamps([first, *(views[1 + k] for k in kept)])
    views = [first, *(views[1 + k] for k in kept)]
    measured = measure_under_lamps(pooled, placed, views, settings)
    marks = list_marks(pooled.entries, placed.face.mm_per_px, smallest_mm=settings.find.smallest_mm)
    return Reading(first.lamp, quality, refuse_small(measured, quality), marks, tuple(notes))


def refuse_small(measured: MeasuredPits, quality: Quality) -> MeasuredPits:
    """Return the pits with those flagged that the photo cannot be trusted to show: they are listed, not counted."""
    pits = flag_uncountable(measured.pits, quality.smallest_countable_mm)
    return dataclasses.replace(measured, pits=pits)


def look_under_lamp(
    face: FaceMap, said: Lamp, exif: Mapping[str, Any], *, settings: Settings, progress: Progress
) -> tuple[LampView, Quality]:
    """Return what one photo shows under its own lamp, and the verdict on it."""
    find = settings.find
    progress("telling the lamp from the surface")
    flat = flatten_light(face, settings=settings.light, threads=find.threads)
    asked = (
        lambda: settle_lamp(flat, face, said, settings=settings.light),
        lambda: measure_sharpness(
            flat.relief, face.seen, shrink=face.shrink, threads=find.threads
        ),
        lambda: measure_exposure(face, flat),
        lambda: look_at_subject(face),
    )
    lamp, *looks = share_out(lambda question: question(), asked, threads=find.threads)
    quality = judge_quality(
        face, flat, lamp,
        exif=exif, smallest_mm=find.smallest_mm, looks=Looks(*looks), settings=settings.quality,
    )  # fmt: skip
    progress("finding pits")
    octaves = build_octaves(flat, settings=find)
    candidates = find_pits(octaves, lamp, face.mm_per_px, settings=find)
    progress("sorting pits from what only looks like one")
    entries = sort_candidates(
        octaves, candidates, lamp, face.mm_per_px, settings=settings.sort, threads=find.threads
    )
    return LampView(octaves, flat, lamp, entries), quality


def measure_chosen(
    entries: Sorted, placed: Placed, view: LampView, settings: Settings
) -> MeasuredPits:
    """Return the pits that are sure and large enough, measured."""
    chosen = choose_entries(entries, placed, settings)
    return measure_pits(
        chosen,
        placed.face,
        view.flat,
        view.lamp,
        scale=placed.scale,
        edges_mm=placed.edges_mm,
        settings=settings.measure,
    )


def measure_under_lamps(
    pooled: Pooled, placed: Placed, views: list[LampView], settings: Settings
) -> MeasuredPits:
    """Return the pits that all lamps together are sure of, with depths from all shadows."""
    chosen = choose_entries(pooled.entries, placed, settings)
    measured = measure_chosen(chosen, placed, views[0], settings)
    depth_mm, is_from_lamps = measure_depths(chosen, views, pooled.registrations)
    basis = np.where(is_from_lamps, "lamps", "at_least")
    return dataclasses.replace(measured, pits=settle_depths(measured.pits, depth_mm, basis))


def choose_entries(entries: Sorted, placed: Placed, settings: Settings) -> Sorted:
    """Return the entries that are sure and large enough to be listed as pits."""
    return choose_pits(
        entries,
        placed.face.mm_per_px,
        smallest_mm=settings.find.smallest_mm,
        confidence_min=settings.sort.confidence_min,
    )
