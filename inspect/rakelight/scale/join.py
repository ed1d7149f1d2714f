"""Many photos, one face: every photo placed, all adjusted together, drawn into one map.

A top of two to four metres does not fit in one photo that still shows a pit of 1 mm. Photos that
show marks (or the scale card) are placed by them; the others by what they share with their
neighbours; then all are adjusted together so that the ends close.
"""

import errno
import math
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ..core.errors import OutputError, ScaleError
from ..core.flags import flag_bit
from ..core.records import FaceMap, Lens, Photo, Scale
from .adjustment import Adjusted, adjust_photos
from .alignment import MarkPlace, align_marks
from .card import list_card_places
from .corners import build_scale, check_size
from .fiducials import Fiducial, find_fiducials
from .frame import LOOK_LONG_PX, find_slab
from .layout import FIDUCIALS_MM, FIRST_MARK_ID
from .marks import (
    MISFIT_MAX_MM,
    MarksPlan,
    cover_papers,
    find_face_limits,
    outline_papers,
    read_marks,
)
from .mosaic import CELL_PX, draw_mosaic, let_go
from .plane import (
    choose_mm_per_px,
    count_map_px,
    measure_local_scale,
    straighten_points,
)
from .ties import Features, Ties, find_features, match_photos

MAP_PX_MAX = 600e6
TIE_RMS_MAX_MM = 2.0
FOUND_NOTE = (
    "The slab's corners were found on the joined photos, not given: check on the map that its border"
    " is the slab's edge and its top the plan's top."
)

Tell = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class JoinedFace:
    """One face from many photos.

    face : the map. scale : of the map itself. views : the place of each photo (None: not placed).
    unplaced : names of photos that could not be placed. shown : int16 cells of 16 map pixels, the
    number of the photo each shows, -1 for none. uncovered_mm2 : area of the face no photo shows.
    papers_mm : outlines (n, 2) of the marks' papers, under which the face is not seen either.
    fiducials : the marks and squares of the card seen in each photo.
    """

    face: FaceMap
    scale: Scale
    views: tuple[Scale | None, ...]
    unplaced: tuple[str, ...]
    shown: np.ndarray
    uncovered_mm2: float
    tie_rms_mm: float
    papers_mm: tuple[np.ndarray, ...] = ()
    fiducials: tuple[tuple[Fiducial, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class _Look:
    """What is kept of a photo once it has been looked at."""

    name: str
    shape_px: tuple[int, int]
    seen: tuple[Fiducial, ...]
    features: Features


def join_photos(
    photos: Sequence[Photo],
    marks: MarksPlan | str | Path | None = None,
    *,
    size_mm: tuple[float, float] | None = None,
    lens: Lens | None = None,
    files_from_px: float = math.inf,
    threads: int = 2,
    tell: Tell | None = None,
) -> JoinedFace:
    """Return one map of a face from overlapping photos.

    Parameters
    ----------
    photos : sequence of Photo
        Of one camera at one zoom, each sharing a quarter or more with its neighbours. A lazy
        sequence (one that reads the photo when asked) keeps memory low: each is asked for three
        times.
    marks : MarksPlan, path of a `marks.toml`, or None
        Where fiducials lie. None: the scale card lies on the face, and the plan's up is its up.
    size_mm : (width, height), mm, optional
        The slab's size, when the plan does not say it; else the map is all that the photos show.
        Without marks it also gives the frame: the slab's four edges are found on the joined photos.
    lens : Lens, optional
        A lens calibrated before; when None one radial term is estimated over all photos.
    files_from_px : float, px
        A map of so many pixels or more lies in unnamed files, which go with the last array that needs
        them, so that a map of 400 megapixels needs little memory. They are made where the system keeps
        its temporary files.
    threads : for the pixel work. tell : called with (step, done, total).

    Returns
    -------
    JoinedFace
        Places no photo shows are `seen` False: never free of pits, only not seen.

    Errors of the answer: on made-up photos 0.1-0.5 mm over 3.2 m with marks near the ends
    (benchmarks/results/placement.md); a chain of photos with marks at one end only drifts by about
    a millimetre a metre, so put marks at both ends.
    """
    tell = tell or (lambda step, done, total: None)
    if len(photos) == 0:
        raise ScaleError("Give at least one photo of the face.")
    plan = _read_plan(marks)
    looks = _look_at_all(photos, tell)
    ties, guess = match_photos([look.features for look in looks], lens)
    tell("matching", 1, 1)
    size_mm = check_size(size_mm) if size_mm else plan.size_mm
    is_free = marks is None and size_mm is not None
    starts = _start_places(looks, plan.places, ties, guess, is_free=is_free)
    views = _place_all(looks, plan, ties, (starts, guess, lens))
    if is_free:
        lay = partial(_lay_on_slab, photos, looks, size_mm, threads=threads, tell=tell)
        views = lay(views)
        if not views.misfits_mm:
            # Without the card the first frame was a guess: fit once more where lengths are true.
            views = lay(_place_all(looks, plan, ties, (views.to_slab, views.lens or guess, lens)))
    views, size_mm = _lay_out(views, looks, size_mm)
    scales = _build_scales(views, looks, size_mm)
    joined = _draw(photos, looks, views, scales, files_from_px=files_from_px, threads=threads, tell=tell)
    return joined if marks is not None else _name_source(joined, is_free=is_free)


def _name_source(joined: JoinedFace, *, is_free: bool) -> JoinedFace:
    """Return the face with the truth about what gave its scale when no marks did."""
    source, notes = ("corners", (FOUND_NOTE,)) if is_free else ("card", ())
    views = tuple(view and replace(view, source=source) for view in joined.views)
    scale = replace(joined.scale, source=source, notes=(*notes, *joined.scale.notes))
    return replace(joined, scale=scale, views=views)


def _read_plan(marks: MarksPlan | str | Path | None) -> MarksPlan:
    if marks is None:
        return MarksPlan(tuple(list_card_places(1.0)))
    plan = marks if isinstance(marks, MarksPlan) else read_marks(marks)
    if plan.height_mm:
        raise ScaleError(
            "For several photos the marks must lie on the face, not above or below it."
        )
    return plan


def _look_at_all(photos: Sequence[Photo], tell: Tell) -> list[_Look]:
    looks = []
    for k in range(len(photos)):
        photo = photos[k]
        looks.append(_Look(photo.name, photo.shape_px, find_fiducials(photo), find_features(photo)))
        tell("looking", k + 1, len(photos))
    shapes = {look.shape_px for look in looks}
    if len(shapes) > 1:
        sizes = " and ".join(sorted(f"{cols} x {rows}" for rows, cols in shapes))
        raise ScaleError(
            f"The photos differ in size ({sizes} pixels); take all with one camera held one way."
        )
    return looks


def _place_all(
    looks: Sequence[_Look],
    plan: MarksPlan,
    ties: Sequence[Ties],
    begin: tuple[Sequence[np.ndarray | None], Lens, Lens | None],
) -> Adjusted:
    """Return all photos placed together, from their first places, a guessed and a known lens."""
    starts, guess, lens = begin
    fit = adjust_photos(
        starts,
        [look.seen for look in looks],
        plan.places,
        ties,
        looks[0].shape_px,
        guess=guess,
        lens=lens,
    )
    for mark_id, off_mm in fit.misfits_mm.items():
        if off_mm > MISFIT_MAX_MM and len(fit.misfits_mm) > 1:
            raise ScaleError(
                f"Mark {mark_id} lies {off_mm:.0f} mm from where it was said to lie; measure its"
                " place and its side again."
            )
    return fit


def _start_places(
    looks: Sequence[_Look],
    places: Sequence[MarkPlace],
    ties: Sequence[Ties],
    lens: Lens,
    *,
    is_free: bool,
) -> list[np.ndarray | None]:
    """Return a first homography per photo: from its marks, or carried over from a neighbour.

    With `is_free` no mark is needed: the photo with most ties is then taken to be square on, one
    pixel one millimetre, until the slab's edges tell better.
    """
    known = {place.mark_id for place in places}
    starts: list[np.ndarray | None] = [None] * len(looks)
    for k, look in enumerate(looks):
        if any(fiducial.mark_id in known for fiducial in look.seen):
            fit = align_marks(look.seen, places, look.shape_px, lens=lens)
            starts[k] = fit.to_slab
    n_marks = [len({f.mark_id for f in look.seen} & known) for look in looks]
    if is_free and not any(n_marks):
        n_ties = [
            sum(len(t.first_px) for t in ties if k in (t.first, t.second))
            for k in range(len(looks))
        ]
        starts[int(np.argmax(n_ties))] = np.eye(3)
        n_marks[int(np.argmax(n_ties))] = 1
    if all(start is None for start in starts):
        raise ScaleError(
            "None of the photos shows a mark or the scale card; lay them near both ends of the face."
        )
    # Photos that show several marks are the surest; carry their place on along the strongest ties.
    placed = {k for k, n in enumerate(n_marks) if n == max(n_marks)}
    while True:
        bridges = [t for t in ties if (t.first in placed) != (t.second in placed)]
        if not bridges:
            break
        bridge = max(bridges, key=lambda t: len(t.first_px))
        if bridge.first in placed:
            starts[bridge.second] = starts[bridge.first] @ np.linalg.inv(bridge.to_second)
            placed.add(bridge.second)
        else:
            starts[bridge.first] = starts[bridge.second] @ bridge.to_second
            placed.add(bridge.first)
    return [None if start is None else start / start[2, 2] for start in starts]


def _lay_on_slab(
    photos: Sequence[Photo],
    looks: Sequence[_Look],
    size_mm: tuple[float, float],
    fit: Adjusted,
    *,
    threads: int,
    tell: Tell,
) -> Adjusted:
    """Return the views laid on the slab whose edges the joined photos show."""
    moved, shown_mm = _lay_out(fit, looks, None)
    scales = _build_scales(moved, looks, shown_mm, finest_mm_per_px=max(shown_mm) / LOOK_LONG_PX)
    tell("edges", 1, 1)
    _, to_slab = find_slab(
        photos, scales, size_mm, is_measured=bool(fit.misfits_mm), threads=threads
    )
    planes = [None if plane is None else to_slab @ plane for plane in moved.to_slab]
    return replace(fit, to_slab=tuple(None if p is None else p / p[2, 2] for p in planes))


def _lay_out(
    fit: Adjusted, looks: Sequence[_Look], size_mm: tuple[float, float] | None
) -> tuple[Adjusted, tuple[float, float]]:
    """Return the views laid into the face's frame, and the face's size."""
    if size_mm is not None:
        return fit, size_mm
    limits = [
        find_face_limits(plane, np.array([look.shape_px[::-1]]) / 2, look.shape_px, fit.lens)
        for plane, look in zip(fit.to_slab, looks, strict=True)
        if plane is not None
    ]
    left, top = np.min([limit[:2] for limit in limits], axis=0)
    right, bottom = np.max([limit[2:] for limit in limits], axis=0)
    shift = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]])
    moved = tuple(None if plane is None else shift @ plane for plane in fit.to_slab)
    return replace(fit, to_slab=moved), check_size((right - left, bottom - top))


def _build_scales(
    fit: Adjusted,
    looks: Sequence[_Look],
    size_mm: tuple[float, float],
    *,
    finest_mm_per_px: float = 0.0,
) -> list[Scale | None]:
    """Return per photo its scale, all with the map's one mm per pixel (no finer than asked for)."""
    finest = []
    for plane, look in zip(fit.to_slab, looks, strict=True):
        if plane is not None:
            rows, cols = look.shape_px
            inner = np.array(
                [(cols * x, rows * y) for x in (0.2, 0.5, 0.8) for y in (0.2, 0.5, 0.8)]
            )
            finest.append(measure_local_scale(plane, straighten_points(fit.lens, inner))[0].min())
    # The finest third keeps the detail of nearly all; one photo taken close must not swell the map.
    mm_per_px = max(
        float(np.quantile(finest, 0.33)),
        math.sqrt(size_mm[0] * size_mm[1] / MAP_PX_MAX),
        finest_mm_per_px,
    )
    mm_per_px = _round_map_px(mm_per_px, size_mm)
    relative_sd = _estimate_relative_sd(fit, size_mm)
    scales: list[Scale | None] = []
    for plane, look in zip(fit.to_slab, looks, strict=True):
        if plane is None:
            scales.append(None)
            continue
        scale = build_scale(
            "marks", plane, size_mm, look.shape_px,
            relative_sd=relative_sd, lens=fit.lens, is_lens_known=fit.lens is not None,
        )  # fmt: skip
        scales.append(replace(scale, mm_per_px=mm_per_px, mm_per_px_sd=relative_sd * mm_per_px))
    return scales


def _round_map_px(mm_per_px: float, size_mm: tuple[float, float]) -> float:
    rows, cols = (max(1, round(side / mm_per_px)) for side in size_mm[::-1])
    return choose_mm_per_px(mm_per_px, size_mm, (rows, cols))


def _estimate_relative_sd(fit: Adjusted, size_mm: tuple[float, float]) -> float:
    """Return the relative doubt of a length: the marks' misfit over the face, and the ties'."""
    reach_mm = max(size_mm)
    marks = 0.5 if math.isnan(fit.mark_rms_mm) else max(fit.mark_rms_mm, 0.3)
    return math.hypot(math.sqrt(2) * marks / reach_mm, fit.tie_rms_mm / 300 / 3)


def _draw(photos, looks, fit, scales, *, files_from_px, threads, tell) -> JoinedFace:
    first = next(scale for scale in scales if scale is not None)
    map_px = count_map_px(first.size_mm, first.mm_per_px)
    out = _open_map(map_px) if map_px[0] * map_px[1] >= files_from_px else None
    face, shown = draw_mosaic(photos, scales, map_px, out=out, threads=threads, tell=tell)
    unplaced = tuple(look.name for look, scale in zip(looks, scales, strict=True) if scale is None)
    uncovered_mm2 = float(face.seen.size - np.count_nonzero(face.seen)) * first.mm_per_px**2
    papers = _find_papers(looks, scales)
    cover_papers(face.seen, papers, first.mm_per_px)
    let_go(face.rgb, face.seen)
    return JoinedFace(
        face=face,
        scale=_describe_map(face, first, fit, unplaced, uncovered_mm2),
        views=tuple(scales),
        unplaced=unplaced,
        shown=shown,
        uncovered_mm2=uncovered_mm2,
        papers_mm=tuple(papers),
        fiducials=tuple(look.seen for look in looks),
        tie_rms_mm=fit.tie_rms_mm,
    )


def _find_papers(looks: Sequence[_Look], scales: Sequence[Scale | None]) -> list[np.ndarray]:
    """Return the outlines in mm of all papers, each from the photo that shows it largest."""
    largest: dict[int, tuple[Fiducial, Scale]] = {}
    for look, scale in zip(looks, scales, strict=True):
        for fiducial in look.seen if scale is not None else ():
            other = largest.get(fiducial.mark_id)
            if other is None or fiducial.side_px > other[0].side_px:
                largest[fiducial.mark_id] = (fiducial, scale)
    papers = [
        outline_papers([f], scale)[0] for key, (f, scale) in largest.items() if key >= FIRST_MARK_ID
    ]
    card = [outline_papers([f], s)[0] for key, (f, s) in largest.items() if key in FIDUCIALS_MM]
    if len(card) >= 3:
        # Three of the card's squares or more: all that lies between them is the card.
        import cv2

        hull = cv2.convexHull(np.concatenate(card).astype(np.float32))
        card = [hull.reshape(-1, 2).astype(float)]
    return papers + card


def _open_map(map_px: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return the map's arrays, zero, in files that vanish with them."""
    arrays = []
    try:
        for shape, kind in (((*map_px, 3), np.uint8), (map_px, bool)):
            with tempfile.TemporaryFile(prefix="rakelight-") as file:
                _take_room(file, math.prod(shape))
                arrays.append(np.memmap(file, kind, "r+", shape=shape))
    except OSError as trouble:
        raise OutputError(
            f"There is no room for the map's {4 * map_px[0] * map_px[1] / 1e9:.1f} GB among the temporary files in"
            f" {tempfile.gettempdir()} ({trouble.strerror}); make room there or set TMPDIR."
        ) from None
    return arrays[0], arrays[1]


def _take_room(file: BinaryIO, n_bytes: int) -> None:
    """Fill a new file with zeros that have their place on the disk: a full one is told here, not at a later write."""
    if hasattr(os, "posix_fallocate"):
        try:
            return os.posix_fallocate(file.fileno(), 0, n_bytes)
        except OSError as trouble:  # some file systems cannot set room aside
            if trouble.errno not in (errno.EOPNOTSUPP, errno.EINVAL):
                raise
    piece = bytes(min(n_bytes, 1 << 24))
    for start in range(0, n_bytes, len(piece)):
        file.write(piece[: n_bytes - start])
    file.flush()


def _describe_map(face, first: Scale, fit: Adjusted, unplaced, uncovered_mm2: float) -> Scale:
    """Return the scale of the map itself, with what must be said about it."""
    notes = [f"Photos agree within {fit.tie_rms_mm:.2f} mm where they overlap."]
    if fit.tie_rms_mm > TIE_RMS_MAX_MM:
        notes.append("That is too much: the photos may not all show one flat face.")
    if unplaced:
        notes.append(
            f"Not placed, because they share too little with the others: {', '.join(unplaced)}."
        )
    if uncovered_mm2 > (CELL_PX * first.mm_per_px) ** 2:
        share = 100 * uncovered_mm2 / (face.seen.size * first.mm_per_px**2)
        much = f"{share:.1f} %" if share >= 0.1 else f"{max(1, round(uncovered_mm2 / 100))} cm2"
        notes.append(f"{much} of the face is in no photo; it was not looked at.")
    half = 0.5 * first.mm_per_px
    return replace(
        first,
        to_slab=np.array([[first.mm_per_px, 0, half], [0, first.mm_per_px, half], [0, 0, 1.0]]),
        lens=None,
        tilt_deg=0.0,
        spread_mm_per_px=(first.mm_per_px, first.mm_per_px),
        rms_mm=fit.mark_rms_mm,
        flags=first.flags & flag_bit("lens_not_corrected"),
        notes=tuple(notes),
    )
