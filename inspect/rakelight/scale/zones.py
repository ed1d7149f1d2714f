"""Openings, pour zones and the slab's outline: what of the map is face, and which part is which.

All places are slab mm: x to the right, y down from the plan's top-left corner. As TOML:

slab = "3200x1000"              # the slab's own rectangle, or words such as 8ft x 28in; or
outline_mm = [[0, 0], [3200, 0], [3200, 1000], [900, 1000], [900, 640], [0, 640]]
[[opening]]
name = "sink"
x_mm = 1200                     # its left edge
y_mm = 250                      # its top edge
width_mm = 520
height_mm = 400
[[opening]]
name = "tap"
x_mm = 1460                     # with diameter_mm: its middle
y_mm = 180
diameter_mm = 35
[[zone]]
name = "A"
kind = "pour"                   # or "part": a part that is treated by itself
mix = "grey 1"                  # mix, poured and note are kept as written
outline_mm = [[0, 0], [1600, 0], [1600, 1000], [0, 1000]]

As GeoJSON: polygons in slab mm with `role` slab, opening or zone (and `name`, `kind`) among their
properties, as in the `zones.geojson` of an inspection; rings inside a polygon are openings.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from ..core.checks import check_positive, read_text
from ..core.errors import RakelightError, SettingsError
from ..core.units import parse_size_mm
from .corners import check_size, face_corners

CIRCLE_CORNERS = 48
ZONE_KINDS = ("pour", "part")
# Crowds of pits in an inspection's own zones.geojson.
FOUND_KINDS = ("pitting", "streak", "honeycomb")
STRIP_ROWS = 2048
FACE_MM_MAX = 50_000.0

Point = tuple[float, float]


class _ShapeEntry(msgspec.Struct, forbid_unknown_fields=True):
    name: str = ""
    outline_mm: list[Point] | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    diameter_mm: float | None = None
    kind: str = "pour"
    mix: str = ""
    poured: str = ""
    note: str = ""


class _ZonesEntry(msgspec.Struct, forbid_unknown_fields=True):
    slab: str | None = None
    outline_mm: list[Point] | None = None
    zone: list[_ShapeEntry] = []
    opening: list[_ShapeEntry] = []


def read_zones(path: str | Path) -> tuple[dict[str, Any], ...]:
    """Return the shapes of a zones file (TOML or GeoJSON); anything wrong is a SettingsError.

    Returns
    -------
    tuple of mappings
        With `name`, `kind` (slab, opening, pour or part) and `outline_mm` (corners in slab mm),
        the slab first; `mix`, `poured` and `note` where they were written.
    """
    path = Path(path)
    text = read_text(path, "the zones")
    try:
        shapes = _read_geojson(text) if text.lstrip().startswith("{") else _read_toml(text)
        _check_names(shapes)
    except RakelightError as trouble:
        raise SettingsError(f"{path.name} is wrong: {trouble}") from None
    return tuple(shapes)


def hide_outlines(
    seen: np.ndarray,
    mm_per_px: float,
    *,
    openings_mm: Sequence[np.ndarray] = (),
    slab_mm: np.ndarray | None = None,
) -> None:
    """Mark openings, and all outside the slab's outline, as not seen, in a map's `seen`, in place.

    Parameters
    ----------
    seen : bool (rows, cols)
        May lie on disk: it is worked through in strips.
    mm_per_px : float, mm
        Size of a map pixel.
    openings_mm, slab_mm : outlines (n, 2) as (x, y) in slab mm; None: all of the map is slab.

    Errors of the answer: half a map pixel, and what the outlines were measured wrong by.
    """
    import cv2

    openings = [_to_px(outline, mm_per_px) for outline in openings_mm]
    slab = None if slab_mm is None else _to_px(slab_mm, mm_per_px)
    for top in range(0, seen.shape[0], STRIP_ROWS):
        strip = seen[top : top + STRIP_ROWS]
        hidden = np.full(strip.shape, 0 if slab is None else 1, np.uint8)
        if slab is not None:
            cv2.fillPoly(hidden, [slab - (0, top)], 0)
        for outline in openings:
            cv2.fillPoly(hidden, [outline - (0, top)], 1)
        if hidden.any():
            strip &= hidden == 0


def _to_px(outline_mm: np.ndarray, mm_per_px: float) -> np.ndarray:
    return np.rint(np.asarray(outline_mm, float) / mm_per_px - 0.5).astype(np.int32)


def _read_toml(text: str) -> list[dict[str, Any]]:
    try:
        entry = msgspec.toml.decode(text, type=_ZonesEntry)
    except (msgspec.DecodeError, RecursionError) as trouble:
        raise SettingsError(f"{str(trouble).replace('`', '').rstrip('.')}.") from None
    if entry.slab and entry.outline_mm:
        raise SettingsError("give slab or outline_mm, not both.")
    shapes = []
    if entry.slab:
        size_mm = check_size(parse_size_mm(entry.slab))
        shapes.append(_shape("slab", "slab", face_corners(size_mm)))
    if entry.outline_mm:
        shapes.append(_shape("slab", "slab", entry.outline_mm))
    shapes += [_shape(e.name, "opening", _lay_out(e)) for e in entry.opening]
    for zone in entry.zone:
        words = {key: getattr(zone, key) for key in ("mix", "poured", "note") if getattr(zone, key)}
        shapes.append(_shape(zone.name, zone.kind, _lay_out(zone)) | words)
    return shapes


def _lay_out(entry: _ShapeEntry) -> np.ndarray:
    """Return the outline of an entry: its corners, its box or its circle."""
    if entry.outline_mm is not None:
        return np.array(entry.outline_mm, float)
    if entry.x_mm is None or entry.y_mm is None:
        raise SettingsError(f"{entry.name!r} needs x_mm and y_mm, or outline_mm.")
    if entry.diameter_mm is not None:
        radius_mm = check_positive(entry.diameter_mm, f"diameter_mm of {entry.name!r}") / 2
        turn = np.linspace(0, 2 * np.pi, CIRCLE_CORNERS, endpoint=False)
        circle = np.column_stack([np.cos(turn), np.sin(turn)])
        return radius_mm * circle + (entry.x_mm, entry.y_mm)
    if entry.width_mm is None or entry.height_mm is None:
        raise SettingsError(f"{entry.name!r} needs width_mm and height_mm, or diameter_mm.")
    width_mm = check_positive(entry.width_mm, f"width_mm of {entry.name!r}")
    height_mm = check_positive(entry.height_mm, f"height_mm of {entry.name!r}")
    return np.add(face_corners((width_mm, height_mm)), (entry.x_mm, entry.y_mm))


def _read_geojson(text: str) -> list[dict[str, Any]]:
    try:
        features = json.loads(text)["features"]
        found = [(dict(f.get("properties") or {}), f["geometry"]) for f in features]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise SettingsError("it holds no list of features with a geometry each.") from None
    shapes = []
    for words, geometry in found:
        role, kind = words.get("role", "zone"), words.get("kind", "pour")
        if role in ("field", "pit") or (role == "zone" and kind in FOUND_KINDS):
            continue  # an inspection's own findings, not what a person said
        kind = role if role in ("slab", "opening") else kind
        if not isinstance(geometry, dict) or geometry.get("type") != "Polygon":
            raise SettingsError("every shape must be a Polygon.")
        name = str(words.get("name") or kind)
        rings = geometry.get("coordinates")
        if not isinstance(rings, list) or not rings:
            raise SettingsError("every Polygon needs its rings of coordinates.")
        outer, *inner = rings
        kept = {key: str(words[key]) for key in ("mix", "poured", "note") if words.get(key)}
        shapes.append(_shape(name, kind, outer) | kept)
        shapes += [_shape(f"{name} opening", "opening", ring) for ring in inner]
    return sorted(shapes, key=lambda shape: shape["kind"] != "slab")


def _shape(name: str, kind: str, outline_mm: Any) -> dict[str, Any]:
    """Return one checked shape; a ring's last corner that repeats the first is left out."""
    if kind not in ("slab", "opening", *ZONE_KINDS):
        raise SettingsError(f"the kind of {name!r} must be one of {', '.join(ZONE_KINDS)}.")
    try:
        outline = np.array([(point[0], point[1]) for point in outline_mm], float)
    except (TypeError, ValueError, LookupError, OverflowError):
        raise SettingsError(f"the outline of {name!r} must be pairs of x and y.") from None
    if len(outline) > 1 and (outline[0] == outline[-1]).all():
        outline = outline[:-1]
    if len(outline) < 3 or not np.isfinite(outline).all():
        raise SettingsError(f"the outline of {name!r} needs three corners or more.")
    x, y = outline.T
    if np.abs(outline).max() > FACE_MM_MAX or abs(x @ (np.roll(y, -1) - np.roll(y, 1))) < 2:
        raise SettingsError(f"the outline of {name!r} holds no area, or lies beyond 50 m.")
    return {"name": name, "kind": kind, "outline_mm": outline.tolist()}


def _check_names(shapes: Sequence[dict[str, Any]]) -> None:
    if sum(shape["kind"] == "slab" for shape in shapes) > 1:
        raise SettingsError("it gives two outlines of the slab.")
    names = [shape["name"] for shape in shapes if shape["kind"] in ZONE_KINDS]
    for name in names:
        if not name:
            raise SettingsError("a zone needs a name, such as A.")
        if names.count(name) > 1:
            raise SettingsError(f"zone {name!r} stands in it twice.")
