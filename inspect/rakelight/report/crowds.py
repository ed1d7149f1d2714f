"""Pitting areas, streaks and honeycomb patches on the pictures and in words.

Each zone carries its name on the map itself, so its outline needs no entry in the legend.
"""

from typing import Any

import numpy as np

from rakelight.core.records import Inspection

from . import canvas
from .canvas import INK, WHITE
from .fields import zone_outline
from .frame import Sheet
from .words import Words

KINDS = ("pitting", "streak", "honeycomb")
# Ours: a pale blue that none of the size bands uses; in grey it is the lightest line beside white.
ZONE_COLOUR = (150, 205, 255)
_NAMED_FROM = 2.5  # units of the picture: smaller zones carry an outline only
_MOST_NAMED = 6


def list_crowds(inspection: Inspection) -> list[dict[str, Any]]:
    """Return the zones that were found in the pits (not the pour zones and openings that were given)."""
    return [
        zone
        for zone in inspection.zones
        if zone.get("kind") in KINDS and zone_outline(zone) is not None
    ]


def describe_crowds(inspection: Inspection) -> list[dict[str, Any]]:
    """Return the facts of every zone found, without its outline, which stands in zones.geojson."""
    return [
        {key: value for key, value in zone.items() if key != "outline_mm"}
        for zone in list_crowds(inspection)
    ]


def name_crowd(zone: dict[str, Any], words: Words) -> str:
    """Return a zone's name in the language of the page: ``pitting 1``."""
    return words.say(f"zone.{zone['kind']}", n=str(zone["name"]).rpartition(" ")[2])


def say_crowds(inspection: Inspection, words: Words) -> str:
    """Return one sentence on how the pits lie, empty when there are too few to say.

    Errors of the answer: that of the test the record holds (`scatter`); a face can be crowded without a zone
    of its own, and the other way round.
    """
    zones = list_crowds(inspection)
    if zones:
        named = [
            words.say(
                "zone.with_pits",
                name=name_crowd(zone, words),
                pits=words.count_pits(int(zone["n_pits"])),
            )
            for zone in zones[:_MOST_NAMED]
        ]
        more = (
            words.say("zone.more", n=len(zones) - _MOST_NAMED) if len(zones) > _MOST_NAMED else ""
        )
        has_patch = any(zone["kind"] == "honeycomb" for zone in zones)
        sentence = words.say("zone.found", zones=", ".join(named) + more)
        return f"{sentence} {words.say('zone.patch')}" if has_patch else sentence
    verdict = str(inspection.scatter.get("verdict", ""))
    return words.say(f"zone.{verdict}") if verdict in ("crowded", "by_chance", "even") else ""


def draw_crowds(sheet: Sheet, inspection: Inspection) -> None:
    """Draw the outline and the name of every zone found onto the face."""
    font, width_px = _name_font(sheet), max(round(sheet.unit / 9), 2)
    for zone in list_crowds(inspection):
        canvas.draw_outline(
            sheet.rgb, _to_points(sheet, zone), colour=ZONE_COLOUR, width_px=width_px
        )
    for name, at in _place_names(sheet, inspection):
        sheet.text.add(name, at, font, fill=WHITE, anchor="mb", halo=INK)


def name_circles(sheet: Sheet, inspection: Inspection) -> np.ndarray:
    """Return circles (x, y, radius) in px that cover the zones' names, so that pit numbers keep off them."""
    radius, circles = 0.8 * sheet.unit, []
    for name, (x, y) in _place_names(sheet, inspection):
        half = canvas.text_width(name, _name_font(sheet)) / 2
        circles += [
            (place, y - radius, radius) for place in np.arange(x - half, x + half + radius, radius)
        ]
    return np.array(circles, float).reshape(-1, 3)


def _place_names(sheet: Sheet, inspection: Inspection) -> list[tuple[str, tuple[float, float]]]:
    """Names of the zones large enough to carry one, and where they stand."""
    named = []
    for zone in list_crowds(inspection):
        points = _to_points(sheet, zone)
        if np.ptp(points, axis=0).max() >= _NAMED_FROM * sheet.unit:
            name = name_crowd(zone, sheet.words)
            named.append((name, _name_place(sheet, points, name, _name_font(sheet))))
    return named


def _name_font(sheet: Sheet):
    return sheet.font("narrow_bold", 1.35)


def _to_points(sheet: Sheet, zone: dict[str, Any]) -> np.ndarray:
    outline = zone_outline(zone)
    return np.column_stack(sheet.to_px(outline[:, 0], outline[:, 1]))


def _name_place(sheet: Sheet, points: np.ndarray, name: str, font) -> tuple[float, float]:
    """Above the zone's highest corner, or below its top edge where the face ends."""
    top = points[points[:, 1].argmin()]
    half = canvas.text_width(name, font) / 2
    width, _ = sheet.size_px
    x = float(np.clip(top[0], sheet.left + half, sheet.left + width - half))
    above = float(top[1]) - 0.4 * sheet.unit
    return x, above if above - 1.4 * sheet.unit > sheet.top else float(top[1]) + 2.2 * sheet.unit
