"""Scale from fiducials whose places on the slab were measured and written into `marks.toml`.

slab = "3200x1000"              # the plan's size; mm, or words such as 8ft x 28in
printed_rule_mm = 100           # what the printed 100 mm rule really measures
[[mark]]
id = 4
at_corner = "top-left"          # the printed square pushed into this corner of the slab, or
[[mark]]
id = 5
side_mm = 80                    # of the black square
x_mm = 1600                     # its middle, from the plan's left edge
y_mm = 55                       # and from the plan's top edge
angle_deg = 0                   # its turn, clockwise; left out when not measured
[[mark]]
id = 6                          # or its four corners, clockwise from its own top-left
corners_mm = [[0, 0], [80, 0], [80, 80], [0, 80]]
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np

from ..core.checks import check_number, check_positive, read_text
from ..core.errors import RakelightError, ScaleError, SettingsError
from ..core.flags import flag_bit
from ..core.records import Lens, Photo, Scale
from ..core.units import parse_size_mm
from .alignment import Alignment, MarkPlace, align_marks
from .corners import build_scale, check_size
from .fiducials import Fiducial, find_fiducials
from .layout import MARK_CUT_MM, MARK_SIDE_MM, N_DICTIONARY, RULE_MM
from .plane import (
    find_visible_face,
    measure_local_scale,
    measure_log_scale,
    place_on_slab,
    read_focal_px,
    shift_plane,
    straighten_points,
)

CORNERS = ("top-left", "top-right", "bottom-right", "bottom-left")
PAPER_MARGIN_MM = 2.0
MISFIT_MAX_MM = 5.0  # a mark measured with a tape is good to 1 or 2 mm
FOCAL_GUESS_PER_LONG_SIDE = 0.75  # main lens of a phone, about 27 mm on 35 mm film
FOCAL_GUESS_SD = 0.25
COARSEST_PER_AID = 3.0  # the face ends where pixels are three times as coarse as at the scale aid


@dataclass(frozen=True, slots=True)
class MarksPlan:
    """What `marks.toml` says: the slab's size (None when it does not) and where the marks lie."""

    places: tuple[MarkPlace, ...]
    size_mm: tuple[float, float] | None = None
    height_mm: float = 0.0


class _MarkEntry(msgspec.Struct, forbid_unknown_fields=True):
    id: int
    side_mm: float = MARK_SIDE_MM
    x_mm: float | None = None
    y_mm: float | None = None
    angle_deg: float | None = None
    at_corner: str | None = None
    corners_mm: list[tuple[float, float]] | None = None


class _PlanEntry(msgspec.Struct, forbid_unknown_fields=True):
    mark: list[_MarkEntry]
    slab: str | None = None
    printed_rule_mm: float = RULE_MM
    height_mm: float = 0.0


def read_marks(path: str | Path) -> MarksPlan:
    """Return where the marks lie, from a `marks.toml` file; anything wrong is a SettingsError."""
    return parse_marks(read_text(path, "the marks"), name=Path(path).name)


def parse_marks(text: str, *, name: str = "marks.toml") -> MarksPlan:
    """Return where the marks lie, from the text of a `marks.toml`.

    Parameters
    ----------
    text : str
        As in the head of this module.
    name : str
        The file's name, for the sentence that says what is wrong.
    """
    try:
        entry = msgspec.toml.decode(text, type=_PlanEntry)
    except (msgspec.DecodeError, RecursionError) as trouble:
        raise SettingsError(f"{name} is wrong: {_say_plainly(str(trouble))}.") from None
    try:
        return _build_plan(entry)
    except RakelightError as trouble:
        raise SettingsError(f"{name} is wrong: {trouble}") from None


def scale_from_marks(
    photo: Photo,
    marks: MarksPlan | str | Path,
    *,
    lens: Lens | None = None,
    size_mm: tuple[float, float] | None = None,
) -> Scale:
    """Return the scale of a photo that shows fiducials of known place.

    Parameters
    ----------
    photo : Photo
        Any photo with at least one of the marks, sharp and uncovered.
    marks : MarksPlan, or the path of a `marks.toml`
        Where the marks lie on the slab.
    lens : Lens, optional
        A lens calibrated before; when None it is estimated where the marks allow it.
    size_mm : (width, height), mm, optional
        The slab's size when the plan does not say it; else what the photo shows is mapped.

    Errors of the answer: `mm_per_px_sd` (the marks' corners and measured places); beyond the marks
    the doubt grows, so put them near the ends of what the photo shows.
    """
    plan = marks if isinstance(marks, MarksPlan) else read_marks(marks)
    size_mm = check_size(size_mm) if size_mm is not None else plan.size_mm
    seen = find_fiducials(photo)
    fit = align_marks(seen, plan.places, photo.shape_px, lens=lens, size_mm=size_mm)
    check_misfits(fit)
    if size_mm is None:
        size_mm = check_size(
            find_face_limits(fit.to_slab, list_corners(seen), photo.shape_px, fit.lens)[2:]
        )
    scale = scale_from_alignment("marks", fit, size_mm, photo, height_mm=plan.height_mm)
    return replace(scale, notes=(*_describe_marks(seen, plan), *scale.notes))


def find_papers(photo: Photo, scale: Scale) -> list[np.ndarray]:
    """Return the outlines (4, 2) in slab mm of the marks' paper squares, which hide the face.

    Errors of the answer: about 1 mm; a margin of 2 mm is added so that the paper's own edge and
    shadow are not taken for pits.
    """
    return outline_papers(find_fiducials(photo), scale)


def outline_papers(seen: Sequence[Fiducial], scale: Scale) -> list[np.ndarray]:
    """Return the outlines (4, 2) in slab mm of the paper squares of fiducials seen in a photo."""
    outlines = []
    for fiducial in seen:
        corners = place_on_slab(scale, fiducial.corners_px)
        middle = corners.mean(axis=0)
        side_mm = float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).mean())
        growth = (side_mm * MARK_CUT_MM / MARK_SIDE_MM + 2 * PAPER_MARGIN_MM) / side_mm
        outlines.append(middle + growth * (corners - middle))
    return outlines


def cover_papers(seen: np.ndarray, papers: Sequence[np.ndarray], mm_per_px: float) -> None:
    """Mark the places under papers as not seen, in a map's `seen` (rows, cols), in place."""
    import cv2

    for outline_mm in papers:
        outline_px = np.asarray(outline_mm) / mm_per_px - 0.5
        low = np.maximum(np.floor(outline_px.min(axis=0)).astype(int), 0)
        high = np.minimum(np.ceil(outline_px.max(axis=0)).astype(int) + 1, seen.shape[::-1])
        if (high <= low).any():
            continue
        hidden = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
        cv2.fillConvexPoly(hidden, np.rint(outline_px - low).astype(np.int32), 1)
        seen[low[1] : high[1], low[0] : high[0]] &= hidden == 0


def scale_from_alignment(
    source: str,
    fit: Alignment,
    size_mm: tuple[float, float],
    photo: Photo,
    *,
    height_mm: float = 0.0,
) -> Scale:
    """Return the scale record of an aligned photo, moved from the scale aid's height to the face."""
    to_slab, relative_sd, flags, notes = fit.to_slab, fit.relative_sd, 0, ()
    if height_mm:
        to_slab, doubt, notes = _correct_height(to_slab, height_mm, photo)
        relative_sd = math.hypot(relative_sd, doubt)
        flags = flag_bit("scale_off_face")
    scale = build_scale(
        source,
        to_slab,
        size_mm,
        photo.shape_px,
        relative_sd=relative_sd,
        lens=fit.lens,
        is_lens_known=fit.is_lens_known,
    )
    return replace(
        scale, rms_mm=fit.rms_mm, flags=scale.flags | flags, notes=(*notes, *scale.notes)
    )


def check_misfits(fit: Alignment) -> None:
    """Raise a ScaleError when a mark does not lie where it was said to lie."""
    worst = max(fit.misfits_mm, key=fit.misfits_mm.__getitem__)
    off_mm = fit.misfits_mm[worst]
    if off_mm <= MISFIT_MAX_MM:
        return
    if len(fit.misfits_mm) < 3:
        names = " and ".join(str(key) for key in sorted(fit.misfits_mm))
        raise ScaleError(
            f"Marks {names} do not fit together by {off_mm:.0f} mm; measure their places again."
        )
    raise ScaleError(
        f"Mark {worst} lies {off_mm:.0f} mm from where it was said to lie;"
        " measure its place and its side again."
    )


def list_corners(seen: Sequence[Fiducial]) -> np.ndarray:
    """Return all corners (n, 2) of fiducials, in photo pixels."""
    return np.vstack([fiducial.corners_px for fiducial in seen])


def find_face_limits(
    to_slab: np.ndarray, aid_px: np.ndarray, shape_px: tuple[int, int], lens: Lens | None
) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom in mm of the face shown; `aid_px` (n, 2): the scale aid.

    Where pixels are three times as coarse as at the aid the face ends: toward the horizon a tilted
    photo would show it without end.
    """
    _, coarsest = measure_local_scale(to_slab, straighten_points(lens, aid_px))
    return find_visible_face(
        to_slab, shape_px, lens, coarsest_mm_per_px=COARSEST_PER_AID * float(coarsest.max())
    )


def _correct_height(
    to_slab: np.ndarray, height_mm: float, photo: Photo
) -> tuple[np.ndarray, float, tuple[str, ...]]:
    height_mm = check_number(height_mm, "The aid's height", low=-500, high=500, error=ScaleError)
    focal_px, doubt = read_focal_px(photo.exif, photo.shape_px), 0.03
    if math.isnan(focal_px):
        focal_px, doubt = FOCAL_GUESS_PER_LONG_SIDE * max(photo.shape_px), FOCAL_GUESS_SD
    moved = shift_plane(to_slab, height_mm, focal_px, photo.shape_px)
    middle_px = np.array([[(photo.shape_px[1] - 1) / 2, (photo.shape_px[0] - 1) / 2]])
    growth = measure_log_scale(moved, middle_px) - measure_log_scale(to_slab, middle_px)
    change = math.expm1(growth[0])
    side = "above" if height_mm > 0 else "below"
    how = "EXIF gives" if doubt < FOCAL_GUESS_SD else "was assumed for"
    note = (
        f"The scale aid lies {abs(height_mm):g} mm {side} the face: lengths were changed by"
        f" {100 * change:+.1f} %, with the focal length that {how} this camera."
    )
    return moved, doubt * abs(change), (note,)


def _describe_marks(seen: Sequence[Fiducial], plan: MarksPlan) -> tuple[str, ...]:
    known = {place.mark_id for place in plan.places}
    used = sorted({fiducial.mark_id for fiducial in seen} & known)
    notes = [f"Placed by mark {', '.join(str(key) for key in used)}."]
    if len(used) == 1:
        notes.append("Only one mark is in the photo; two or more far apart are surer.")
    return tuple(notes)


def _build_plan(entry: _PlanEntry) -> MarksPlan:
    size_mm = check_size(parse_size_mm(entry.slab)) if entry.slab else None
    printed = check_number(entry.printed_rule_mm, "printed_rule_mm", low=80, high=120) / RULE_MM
    if not entry.mark:
        raise SettingsError("it names no mark.")
    ids = [mark.id for mark in entry.mark]
    for mark_id in ids:
        check_number(mark_id, "id", low=0, high=N_DICTIONARY - 1)
        if ids.count(mark_id) > 1:
            raise SettingsError(f"mark {mark_id} stands in it twice.")
    places = tuple(_build_place(mark, size_mm, printed) for mark in entry.mark)
    return MarksPlan(places, size_mm, entry.height_mm)


def _build_place(
    mark: _MarkEntry, size_mm: tuple[float, float] | None, printed: float
) -> MarkPlace:
    given = [mark.x_mm is not None or mark.y_mm is not None, mark.at_corner, mark.corners_mm]
    if sum(bool(way) for way in given) != 1:
        raise SettingsError(f"mark {mark.id} needs x_mm and y_mm, or at_corner, or corners_mm.")
    if mark.corners_mm:
        return _place_from_corners(mark)
    side_mm = check_positive(mark.side_mm, f"side_mm of mark {mark.id}") * printed
    turn_deg = math.nan if mark.angle_deg is None else mark.angle_deg
    if mark.at_corner:
        return MarkPlace(mark.id, _find_corner_place(mark, size_mm, side_mm), side_mm, turn_deg)
    if mark.x_mm is None or mark.y_mm is None:
        raise SettingsError(f"mark {mark.id} needs both x_mm and y_mm.")
    x_mm = check_number(mark.x_mm, f"x_mm of mark {mark.id}", low=-1e4, high=1e5)
    y_mm = check_number(mark.y_mm, f"y_mm of mark {mark.id}", low=-1e4, high=1e5)
    return MarkPlace(mark.id, (x_mm, y_mm), side_mm, turn_deg)


def _find_corner_place(
    mark: _MarkEntry, size_mm: tuple[float, float] | None, side_mm: float
) -> tuple[float, float]:
    if mark.at_corner not in CORNERS:
        raise SettingsError(f"at_corner of mark {mark.id} must be one of {', '.join(CORNERS)}.")
    if size_mm is None:
        raise SettingsError('at_corner needs the slab\'s size: write slab = "2400x700".')
    inward_mm = side_mm * MARK_CUT_MM / MARK_SIDE_MM / 2
    down, across = mark.at_corner.split("-")
    return (
        inward_mm if across == "left" else size_mm[0] - inward_mm,
        inward_mm if down == "top" else size_mm[1] - inward_mm,
    )


def _place_from_corners(mark: _MarkEntry) -> MarkPlace:
    corners = np.array(mark.corners_mm, float)
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise SettingsError(f"corners_mm of mark {mark.id} must be four pairs of x and y.")
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*sides.T)
    across = np.hypot(*(corners[2:] - corners[:2]).T)
    skew = max(np.ptp(lengths) / lengths.mean(), np.ptp(across) / across.mean())
    if lengths.min() <= 0 or skew > 0.05:
        raise SettingsError(f"corners_mm of mark {mark.id} do not form a square.")
    right = sides[0] - sides[2]
    turn_deg = math.degrees(math.atan2(right[1], right[0]))
    x_mm, y_mm = corners.mean(axis=0)
    return MarkPlace(mark.id, (float(x_mm), float(y_mm)), float(lengths.mean()), turn_deg)


def _say_plainly(trouble: str) -> str:
    """Return a decoder's message with the place in words: `$.mark[0].x_mm` is mark entry 1, x_mm."""
    trouble = trouble.replace("`", "").rstrip(".")
    trouble = re.sub(r"\$\.mark\[(\d+)\]\.?", lambda m: f"mark entry {int(m[1]) + 1}, ", trouble)
    trouble = trouble.replace("mark[...]", "a mark entry").replace("$.", "").rstrip(", ")
    return trouble[:1].lower() + trouble[1:]
