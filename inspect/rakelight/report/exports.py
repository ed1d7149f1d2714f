"""The inspection as files for other programs: tables, summary and zones in millimetres.

`summary.json` answers in numbers, the CSV files in rows, `zones.geojson` in shapes. All
lengths in them are millimetres whatever the pages show, and unknown numbers are empty
(CSV) or null (JSON), never invented.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np

from rakelight.core.flags import flag_names
from rakelight.core.outlines import box_outline
from rakelight.core.records import (
    ACTIONS,
    COLOUR_COLUMNS,
    MARK_COLUMNS,
    PIT_COLUMNS,
    PIT_KINDS,
    PLAN_COLUMNS,
    Grade,
    Inspection,
)
from rakelight.core.tables import format_csv, to_plain

from . import facts
from .crowds import describe_crowds
from .fields import place_fields, zone_outline

_CIRCLE_CORNERS = 24
# Neither position, nor serial numbers, nor names: a report travels further than its photo.
_EXIF_KEPT = (
    "Orientation", "Make", "Model", "LensModel", "ExposureTime", "FNumber", "ISO", "taken_at",
    "DateTimeOriginal", "Flash", "FocalLength", "FocalLengthIn35mm", "ColorSpace",
    "CustomRendered", "WhiteBalance", "DigitalZoomRatio",
)  # fmt: skip
_TOO_LONG_FOR_SUMMARY = (
    "pit_actions",
    "largest_first",
)  # every pit again: it stands in the work sheet


def write_tables(inspection: Inspection, folder: Path) -> list[Path]:
    """Write pits.csv, marks.csv, colour.csv and plan.csv into a folder; return their paths."""
    tables = (
        ("pits.csv", inspection.pits, PIT_COLUMNS),
        ("marks.csv", inspection.marks, MARK_COLUMNS),
        ("colour.csv", inspection.colour.table, COLOUR_COLUMNS),
        ("plan.csv", inspection.plan.fields, PLAN_COLUMNS),
    )
    paths = []
    for name, table, columns in tables:
        text = format_csv(table, columns)
        (folder / name).write_text(text, encoding="utf-8", newline="")
        paths.append(folder / name)
    return paths


def write_summary(inspection: Inspection, path: Path) -> Path:
    """Write summary.json; return its path."""
    return _write_json(summarise(inspection), path, indent=2)


def write_zones(inspection: Inspection, path: Path) -> Path:
    """Write zones.geojson: slab, openings, zones, fields and pit outlines in mm; return its path."""
    return _write_json(collect_shapes(inspection), path, indent=None)


def summarise(inspection: Inspection) -> dict[str, Any]:
    """Return the whole answer as plain values, as `summary.json` holds it.

    Returns
    -------
    dict
        Numbers, texts, lists and mappings only; unknown numbers are None.

    Errors of the answer: every `sd` is a standard uncertainty as the steps gave it; the count's
    `n_pits_sd` follows from the confidences of the listed pits and knows nothing of missed ones.
    """
    count = facts.count_pits(inspection)
    summary = {
        "schema": inspection.schema,
        "version": inspection.version,
        "job": inspection.job,
        "photo": _photo(inspection),
        "photos": [strip_photo(photo) for photo in inspection.photos],
        "scale": _scale(inspection),
        "lamp": _lamp(inspection),
        "face": {
            "size_mm": facts.slab_size_mm(inspection),
            "seen_mm2": inspection.face.seen_mm2,
            "seen_share": facts.seen_share(inspection),
        },
        "counts": _counts(inspection, count),
        "per_m2": count.per_m2,
        "per_ft2": count.per_ft2,
        "area_share": count.area_share,
        "windows": inspection.grade.windows,
        "zones": describe_crowds(inspection),
        "scatter": inspection.scatter,
        "grades": [_grade(grade) for grade in inspection.grade.grades],
        "grade_notes": inspection.grade.notes,
        "colour": _colour(inspection),
        "plan": _plan(inspection),
        "limits_of_this_answer": inspection.limits_of_this_answer,
        "warnings": inspection.warnings,
        "settings": inspection.settings,
    }
    return to_plain(summary)


def collect_shapes(inspection: Inspection) -> dict[str, Any]:
    """Return slab, openings, zones, fields and pits as GeoJSON features in slab millimetres.

    GeoJSON by its standard means degrees on the Earth; this file says at its top that it means
    millimetres, from which corner and in which direction, so that no map program is misled.

    Errors of the answer: coordinates are rounded to 0.01 mm. Source: RFC 7946 for the form of
    the file (from memory); unit, origin and axes are our choice.
    """
    zones = [zone for zone in inspection.zones if zone_outline(zone) is not None]
    features = [_feature(_slab_outline(inspection), {"role": "slab"})]
    features += [_zone_feature(zone) for zone in zones if zone.get("kind") != "slab"]
    features += [_field_feature(row) for row in place_fields(inspection).itertuples()]
    outlines = pit_outlines(inspection)
    features += [
        _feature(outline, {"role": "pit", "pit_id": int(pit.pit_id), "kind": pit.kind})
        for pit, outline in zip(inspection.pits.itertuples(), outlines, strict=True)
    ]
    return {
        "type": "FeatureCollection",
        "schema": inspection.schema,
        "version": inspection.version,
        "unit": "mm",
        "origin": "top-left corner of the slab's plan",
        "axes": "x to the right, y down towards the front edge",
        "note": "Coordinates are millimetres on the slab, not degrees.",
        "features": features,
    }


def pit_outlines(inspection: Inspection) -> list[np.ndarray]:
    """Return one (N, 2) outline in mm per pit: the measured one, or a circle of its diameter."""
    outlines, pits = inspection.outlines_mm, inspection.pits
    if len(outlines) == len(pits):
        return [np.asarray(outline, float) for outline in outlines]
    turn = np.linspace(0, 2 * np.pi, _CIRCLE_CORNERS, endpoint=False)
    circle = np.c_[np.cos(turn), np.sin(turn)]
    return [
        np.array([pit.x_mm, pit.y_mm]) + circle * np.nan_to_num(pit.diameter_mm) / 2
        for pit in pits.itertuples()
    ]


def _photo(inspection: Inspection) -> dict[str, Any]:
    quality = inspection.quality
    first = strip_photo(inspection.photos[0]) if inspection.photos else {}
    names = ("blur_sigma_px", "noise_sd", "clipped_white_share", "clipped_black_share", "checks")
    return {
        **first,
        "quality": {name: getattr(quality, name) for name in names},
        "smallest_countable_mm": quality.smallest_countable_mm,
        "verdict": quality.verdict,
        "advice": list(quality.advice),
    }


def strip_photo(photo: dict[str, Any]) -> dict[str, Any]:
    """Return what may be told of a photo: of its metadata only what names no place or person."""
    exif = photo.get("exif") or {}
    kept = {name: exif[name] for name in _EXIF_KEPT if name in exif}
    return {**photo, "exif": kept}


def _scale(inspection: Inspection) -> dict[str, Any]:
    scale = inspection.scale
    lens = scale.lens
    return {
        "source": scale.source,
        "mm_per_px": scale.mm_per_px,
        "sd": scale.mm_per_px_sd,
        "to_slab": scale.to_slab,
        "size_mm": scale.size_mm,
        "spread_mm_per_px": scale.spread_mm_per_px,
        "tilt_deg": scale.tilt_deg,
        "rms_mm": scale.rms_mm,
        "lens": None
        if lens is None
        else {name: getattr(lens, name) for name in ("k1", "k2", "centre_px", "unit_px", "basis")},
        "flags": flag_names(scale.flags).split(),
        "notes": scale.notes,
    }


def _lamp(inspection: Inspection) -> dict[str, Any]:
    lamp = inspection.lamp
    names = ("from_deg", "angle_deg", "at_mm", "basis", "axis_deg", "side_evidence", "notes")
    return {
        **{name: getattr(lamp, name) for name in names},
        "flags": flag_names(lamp.flags).split(),
    }


def _counts(inspection: Inspection, count: facts.PitCount) -> dict[str, Any]:
    counted = inspection.pits[facts.countable(inspection.pits)]
    bands = facts.size_bands(inspection)
    return {
        "n_pits": count.n_pits,
        "n_pits_sd": count.n_pits_sd,
        "n_below_countable": count.n_below_countable,
        "smallest_counted_mm": facts.smallest_counted_mm(inspection),
        "bands": [
            {"from_mm": band.low_mm, "to_mm": band.high_mm, "n_pits": n}
            for band, n in zip(bands, count.n_by_band, strict=True)
        ],
        "kinds": {kind: int((counted["kind"] == kind).sum()) for kind in PIT_KINDS},
        "n_marks": len(inspection.marks),
    }


def _grade(grade: Grade) -> dict[str, Any]:
    window = grade.window
    names = ("scheme", "title", "range", "value", "unit", "rule", "source", "mark")
    return {
        "class": grade.class_name,
        **{name: getattr(grade, name) for name in names},
        "is_borderline": grade.is_borderline,
        "window": None
        if window is None
        else {
            name: getattr(window, name)
            for name in ("size_mm", "x_mm", "y_mm", "area_share", "n_pits")
        },
        "notes": grade.notes,
    }


def _colour(inspection: Inspection) -> dict[str, Any]:
    colour = inspection.colour
    return {
        **colour.figures,
        "n_cells": len(colour.table),
        "flags": flag_names(colour.flags).split(),
        "notes": colour.notes,
    }


def _plan(inspection: Inspection) -> dict[str, Any]:
    plan = inspection.plan
    return {
        "n_fields": {action: int((plan.fields["action"] == action).sum()) for action in ACTIONS},
        "amounts": plan.amounts,
        "order": plan.order,
        "figures": _trim_figures(plan.figures),
        "notes": plan.notes,
    }


def _trim_figures(figures: dict[str, Any]) -> dict[str, Any]:
    kept = {key: value for key, value in figures.items() if key not in _TOO_LONG_FOR_SUMMARY}
    if isinstance(kept.get("crossing"), dict):
        kept["crossing"] = {k: v for k, v in kept["crossing"].items() if k != "curve"}
    return kept


def _slab_outline(inspection: Inspection) -> np.ndarray:
    """Return the outline that was said of the slab, else the box of its size."""
    for zone in inspection.zones:
        if zone.get("kind") == "slab" and (outline := zone_outline(zone)) is not None:
            return outline
    return box_outline(0, 0, *facts.slab_size_mm(inspection))


def _zone_feature(zone: dict[str, Any]) -> dict[str, Any]:
    shape = ("outline_mm", "x_mm", "y_mm", "width_mm", "height_mm")
    facts_of_zone = {key: value for key, value in zone.items() if key not in shape}
    return _feature(zone_outline(zone), {"role": "zone", **facts_of_zone})


def _field_feature(field: Any) -> dict[str, Any]:
    box = box_outline(field.x_mm, field.y_mm, field.width_mm, field.height_mm)
    names = ("field", "zone", "action", "n_pits", "pits_per_m2")
    return _feature(box, {"role": "field", **{name: getattr(field, name) for name in names}})


def _feature(outline: np.ndarray, properties: dict[str, Any]) -> dict[str, Any]:
    ring = np.round(np.asarray(outline, float), 2) + 0.0
    closed = [*ring.tolist(), ring[0].tolist()]
    return {
        "type": "Feature",
        "properties": to_plain(properties),
        "geometry": {"type": "Polygon", "coordinates": [to_plain(closed)]},
    }


def _write_json(value: Any, path: Path, *, indent: int | None) -> Path:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent)
    path.write_text(text + "\n", encoding="utf-8", newline="")
    return path
