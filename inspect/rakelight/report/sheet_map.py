"""Line drawings for the work sheet, in millimetres of paper: no photo, so that copies stay clear."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd

from rakelight.core.records import Inspection
from rakelight.core.units import format_inches

from . import canvas, facts
from .exports import pit_outlines
from .fields import place_fields
from .labels import FAR, place_labels
from .words import Words, clean_name
from .worklist import BY_HAND, Area, say_work, touch_fields

_WIDE_MAP_MM, _LARGE_MAP_MM, _SMALL_MAP_MM = 166.0, 116.0, 98.0
_LARGE_TYPE_UP_TO, _LARGE_MAP_UP_TO, _BESIDE_LIST_UP_TO = 11, 30, 60
_LABEL_PX_PER_MM = 10.0
_LABEL_MM = 3.1
_SIGN_MM = 1.0
_SIGN_EXTRA_MM = {"fill_two_lifts": 0.6, "repair_by_eye": 1.5}
_DOT_ONLY_MM = 0.4
_LEADER_FROM_MM = 1.2
_OUTLINE_FROM_MM = 0.7
_MASK_STEP_MM = 2.0
_NAME_MM, _NAME_GAP_MM = (5.0, 4.2), 0.8


@dataclass(frozen=True, slots=True)
class SheetScale:
    """How large an area is drawn: paper millimetres per slab millimetre, and its table's type.

    `is_wide` : so many numbers that the drawing has a page of its own, before the list.
    """

    mm_per_mm: float
    width_mm: float
    height_mm: float
    row_mm: float
    is_large_type: bool
    is_wide: bool = False

    @classmethod
    def choose(cls, area: Area, n_lines: int, *, paper_mm: tuple[float, float]) -> "SheetScale":
        """Return a scale that leaves the list the room it needs."""
        is_wide = n_lines > _BESIDE_LIST_UP_TO
        side = _LARGE_MAP_MM if n_lines <= _LARGE_MAP_UP_TO else _SMALL_MAP_MM
        side = _WIDE_MAP_MM if is_wide else side
        side -= max(0.0, 297.0 - paper_mm[1]) * 0.6
        scale = min(side / area.width_mm, side / area.height_mm)
        is_large = n_lines <= _LARGE_TYPE_UP_TO
        row_mm = 7.6 if is_large else 5.9 if n_lines <= _LARGE_MAP_UP_TO else 5.4
        return cls(scale, area.width_mm * scale, area.height_mm * scale, row_mm, is_large, is_wide)


def draw_area(
    inspection: Inspection,
    area: Area,
    scale: SheetScale,
    *,
    listed: pd.Index,
    actions: pd.Series,
    units: str,
) -> dict[str, Any]:
    """Return the drawing of one area: pits in true size, numbers, fields, edges, rulers."""
    pits = _place_pits(inspection, area, scale, actions, listed)
    fields = [_place_name(field, pits) for field in _place_fields(inspection, area, scale)]
    size_mm = facts.slab_size_mm(inspection)
    return {
        "width": scale.width_mm,
        "height": scale.height_mm,
        "pits": pits,
        "labels": _place_numbers(pits, fields, scale),
        "fields": fields,
        "unseen": trace_unseen(inspection, area, scale.mm_per_mm),
        "edges": {
            "left": area.left_mm <= 0.5,
            "right": area.right_mm >= size_mm[0] - 0.5,
            "top": area.top_mm <= 0.5,
            "bottom": area.bottom_mm >= size_mm[1] - 0.5,
        },
        "ticks_x": _mark_ruler(area.left_mm, area.width_mm, scale.mm_per_mm, units),
        "ticks_y": _mark_ruler(size_mm[1] - area.bottom_mm, area.height_mm, scale.mm_per_mm, units),
    }


def draw_overview(
    inspection: Inspection,
    areas: tuple[Area, ...],
    *,
    room_mm: tuple[float, float],
    work: dict[str, dict[str, int]],
    words: Words,
) -> dict[str, Any]:
    """Return the drawing of the whole face: fields with what to do, and the sheets."""
    size_mm = facts.slab_size_mm(inspection)
    scale = min(room_mm[0] / size_mm[0], room_mm[1] / size_mm[1])
    whole = Area(0, 0.0, 0.0, *size_mm)
    fields = [
        {
            "name": clean_name(field.field, longest=12),
            "action": field.action,
            "do": say_work(field.action, work.get(str(field.field), {}), words),
            "n": int(field.n_pits),
            "x": field.x_mm * scale,
            "y": field.y_mm * scale,
            "w": field.width_mm * scale,
            "h": field.height_mm * scale,
        }
        for field in place_fields(inspection).itertuples()
    ]
    sheets = [
        {"number": a.number, "x": a.left_mm * scale, "y": a.top_mm * scale,
         "w": a.width_mm * scale, "h": a.height_mm * scale}
        for a in areas
    ]  # fmt: skip
    return {
        "width": size_mm[0] * scale,
        "height": size_mm[1] * scale,
        "fields": fields,
        "sheets": sheets,
        "unseen": trace_unseen(inspection, whole, scale),
    }


def trace_unseen(inspection: Inspection, area: Area, scale: float) -> list[list[list[float]]]:
    """Return outlines, in paper mm from the area's top left, of what the photo does not show.

    An outline inside another is a hole in it (fill by crossings). Errors of the answer: up to
    2 mm on the slab, since the mask is thinned first.
    """
    face = inspection.face
    step = max(round(_MASK_STEP_MM / face.mm_per_px), 1)
    px = face.mm_per_px * step
    seen = face.seen[::step, ::step]
    rows = slice(round(area.top_mm / px), max(round(area.bottom_mm / px), 1))
    cols = slice(round(area.left_mm / px), max(round(area.right_mm / px), 1))
    unseen = (~seen[rows, cols]).astype(np.uint8)
    if not unseen.any():
        return []
    # Twice as fine, so that outlines run along pixel edges and not through their middles.
    fine = np.pad(np.kron(unseen, np.ones((2, 2), np.uint8)), 1)
    contours, _ = cv2.findContours(fine, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    shapes = [cv2.approxPolyDP(contour, 1.5, True)[:, 0, :] for contour in contours]
    return [((shape - 0.5) / 2 * px * scale).tolist() for shape in shapes if len(shape) > 2]


def _place_pits(
    inspection: Inspection, area: Area, scale: SheetScale, actions: pd.Series, listed: pd.Index
) -> list[dict[str, Any]]:
    pits, outlines = inspection.pits, pit_outlines(inspection)
    origin = np.array([area.left_mm, area.top_mm])
    listed_rows = set(listed)
    placed = []
    for place, pit in enumerate(pits.itertuples()):
        at = (np.array([pit.x_mm, pit.y_mm]) - origin) * scale.mm_per_mm
        if not (0 <= at[0] <= scale.width_mm and 0 <= at[1] <= scale.height_mm):
            continue
        radius = float(np.nan_to_num(pit.diameter_mm)) / 2 * scale.mm_per_mm
        shape = (outlines[place] - origin) * scale.mm_per_mm if radius >= _OUTLINE_FROM_MM else []
        placed.append(
            {
                "no": int(pit.pit_id),
                "x": float(at[0]),
                "y": float(at[1]),
                "r": radius,
                "shape": np.round(shape, 3).tolist() if len(shape) else [],
                "action": actions[pit.Index],
                "listed": pit.Index in listed_rows,
            }
        )
    return placed


def _place_numbers(
    pits: list[dict[str, Any]], fields: list[dict[str, Any]], scale: SheetScale
) -> list[dict[str, Any]]:
    """Return where every listed pit's number stands, with a leader when it stands apart."""
    px = _LABEL_PX_PER_MM
    signs = [[p["x"] * px, p["y"] * px, _reach(p) * px] for p in pits]
    signs += [[(f["name_x"] + 2.2) * px, (f["name_y"] + 2.2) * px, 2.2 * px] for f in fields]
    signs = np.array(signs).reshape(-1, 3)
    order = np.array([i for i, pit in enumerate(pits) if pit["listed"]], int)
    names = [str(pits[i]["no"]) for i in order]
    font = canvas.load_font("narrow_bold", round(_LABEL_MM * px))
    box = (0.0, 0.0, scale.width_mm * px, scale.height_mm * px)
    places = place_labels(names, signs, order, font, box, FAR)
    labels = []
    for i, (x, y) in places.items():
        pit, width = pits[order[i]], font.getlength(names[i]) / px
        label = {"text": names[i], "x": x / px, "y": y / px, "w": width, "leader": []}
        gap = np.array([label["x"] - pit["x"], label["y"] - pit["y"]])
        free = np.hypot(*gap) - _reach(pit) - np.hypot(width / 2, _LABEL_MM / 3)
        if free > _LEADER_FROM_MM:
            end = _leave_label(label, pit)
            start = np.array([pit["x"], pit["y"]]) + gap / np.hypot(*gap) * _reach(pit)
            label["leader"] = [start.tolist(), end]
        labels.append(label)
    return labels


def _leave_label(label: dict[str, Any], pit: dict[str, Any]) -> list[float]:
    """Return where a leader meets the box around a number."""
    half = np.array([label["w"] / 2 + 0.3, _LABEL_MM * 0.42])
    way = np.array([pit["x"] - label["x"], pit["y"] - label["y"]])
    share = min(h / abs(v) for h, v in zip(half, way, strict=True) if abs(v) > 1e-9)
    return (np.array([label["x"], label["y"]]) + way * share).tolist()


def _reach(pit: dict[str, Any]) -> float:
    if not pit["listed"]:
        return max(pit["r"], 0.3)
    if pit["action"] not in BY_HAND:
        return max(pit["r"], _DOT_ONLY_MM)
    return max(pit["r"] + 0.4, _SIGN_MM) + _SIGN_EXTRA_MM.get(pit["action"], 0.0)


def _place_fields(inspection: Inspection, area: Area, scale: SheetScale) -> list[dict[str, Any]]:
    k = scale.mm_per_mm
    return [
        {
            "name": clean_name(field.field, longest=12),
            "action": field.action,
            "x": (field.x_mm - area.left_mm) * k,
            "y": (field.y_mm - area.top_mm) * k,
            "w": field.width_mm * k,
            "h": field.height_mm * k,
        }
        for field in touch_fields(inspection, area).itertuples()
    ]


def _place_name(field: dict[str, Any], pits: list[dict[str, Any]]) -> dict[str, Any]:
    """Return a field with the place of its name: the corner farthest from any sign, front left first."""
    left, top = field["x"] + _NAME_GAP_MM, field["y"] + _NAME_GAP_MM
    right = field["x"] + field["w"] - _NAME_MM[0] - _NAME_GAP_MM
    bottom = field["y"] + field["h"] - _NAME_MM[1] - _NAME_GAP_MM
    best, most = (left, bottom), -np.inf
    signs = [(pit["x"], pit["y"], _reach(pit)) for pit in pits if pit["listed"]]
    for corner in ((left, bottom), (left, top), (right, bottom), (right, top)):
        centre = np.add(corner, np.divide(_NAME_MM, 2))
        free = min((np.hypot(*(centre - s[:2])) - s[2] for s in signs), default=np.inf)
        if free >= _NAME_MM[0]:
            best = corner
            break
        if free > most:
            best, most = corner, free
    return field | {"name_x": float(best[0]), "name_y": float(best[1])}


def _mark_ruler(
    start_mm: float, length_mm: float, scale: float, units: str
) -> list[dict[str, Any]]:
    """Return ruler marks of an area, named by their distance from the slab's front left corner."""
    written_mm, bare_mm = canvas.ruler_step_mm(length_mm, units, most=7)
    every = round(written_mm / bare_mm)
    marks = []
    for i in range(
        int(np.ceil(start_mm / bare_mm - 1e-6)), int((start_mm + length_mm) / bare_mm + 1e-6) + 1
    ):
        name = format_inches(i * bare_mm) if units == "in" else f"{i * bare_mm:.0f}"
        at = (i * bare_mm - start_mm) * scale
        marks.append({"at": at, "name": name if i % every == 0 else ""})
    return marks
