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
# In units: a name is tried so many steps out, and gets a line to its zone from a gap of so much on.
_STEPS, _STEP, _LEADER_FROM = 7, 1.1, 1.0


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


def _name_on_map(zone: dict[str, Any], words: Words) -> str:
    """The name as it stands on a picture: with a question mark where the zone is near the limit."""
    return f"{name_crowd(zone, words)}{'?' if zone.get('is_near_limit') else ''}"


def say_crowds(inspection: Inspection, words: Words) -> str:
    """Return one sentence on how the pits lie, empty when there are too few to say.

    Errors of the answer: that of the test the record holds (`scatter`); a face can be crowded without a zone
    of its own, and the other way round.
    """
    zones = list_crowds(inspection)
    if zones:
        named = [
            words.say(
                "zone.with_pits_near" if zone.get("is_near_limit") else "zone.with_pits",
                name=name_crowd(zone, words),
                pits=words.count_pits(int(zone["n_pits"])),
            )
            for zone in zones[:_MOST_NAMED]
        ]
        more = (
            words.say("zone.more", n=len(zones) - _MOST_NAMED) if len(zones) > _MOST_NAMED else ""
        )
        has_patch = any(zone["kind"] == "honeycomb" for zone in zones)
        told = [words.say("zone.found", zones=", ".join(named) + more)]
        told += [words.say("zone.patch")] if has_patch else []
        return " ".join(told + _say_near(inspection, words))
    verdict = str(inspection.scatter.get("verdict", ""))
    if verdict not in ("crowded", "by_chance", "even"):
        return ""
    return " ".join([words.say(f"zone.{verdict}"), *_say_near(inspection, words)])


def _say_near(inspection: Inspection, words: Words) -> list[str]:
    """What stands so near a limit that the next photo may tell otherwise."""
    n_near = int(inspection.scatter.get("n_near_zones", 0))
    if n_near:
        return [words.say("zone.near_one" if n_near == 1 else "zone.near_many", n=n_near)]
    if inspection.scatter.get("is_near_limit") and not list_crowds(inspection):
        return [words.say("zone.close")]
    return []


def draw_crowds(sheet: Sheet, inspection: Inspection) -> None:
    """Draw the outline of every zone found onto the face."""
    width_px = max(round(sheet.unit / 9), 2)
    for zone in list_crowds(inspection):
        canvas.draw_outline(
            sheet.rgb, _to_points(sheet, zone), colour=ZONE_COLOUR, width_px=width_px
        )


def write_names(sheet: Sheet, inspection: Inspection, signs: np.ndarray) -> np.ndarray:
    """Write the zones' names beside their outlines, off the signs; return circles that cover the names.

    Parameters
    ----------
    signs : float (N, 3)
        x, y and reach in px of what a name must not cover.

    Errors of the answer: where no place near a zone is free, the name covers the fewest signs it can.
    Source: our choice.
    """
    font, radius = _name_font(sheet), 0.8 * sheet.unit
    circles = [np.empty((0, 3))]
    for zone in list_crowds(inspection):
        points = _to_points(sheet, zone)
        if np.ptp(points, axis=0).max() < _NAMED_FROM * sheet.unit:
            continue
        name = _name_on_map(zone, sheet.words)
        half = canvas.text_width(name, font) / 2
        x, y = _find_place(sheet, points, half, np.vstack([signs, *circles]))
        edge = _walk_along(points)
        gaps = np.maximum(np.abs(edge - (x, y)) - (half, 0.75 * sheet.unit), 0)
        nearest = int(np.hypot(*gaps.T).argmin())
        if np.hypot(*gaps[nearest]) > _LEADER_FROM * sheet.unit:
            _draw_leader(sheet, (x, y), edge[nearest])
        sheet.text.add(name, (x, y), font, fill=WHITE, anchor="mm", halo=INK)
        places = np.arange(x - half, x + half + radius, radius)
        circles.append(np.c_[places, np.full_like(places, y), np.full_like(places, radius)])
    return np.vstack(circles)


def _find_place(
    sheet: Sheet, points: np.ndarray, half: float, signs: np.ndarray
) -> tuple[float, float]:
    """Return the middle of a name around a zone: on the fewest signs, and of these places the nearest."""
    high = 0.75 * sheet.unit
    low, top = points.min(axis=0), points.max(axis=0)
    middle = (low + top) / 2
    steps = np.arange(_STEPS) * _STEP * sheet.unit
    across = np.concatenate(
        [middle[:1], [low[0] + half, top[0] - half], middle[0] - steps, middle[0] + steps]
    )
    down = np.concatenate([middle[1:], middle[1] - steps, middle[1] + steps])
    places = [
        (x, y, k) for k in steps for x in across for y in (low[1] - high - k, top[1] + high + k)
    ]
    places += [
        (x, y, k) for k in steps for y in down for x in (low[0] - half - k, top[0] + half + k)
    ]
    width, height = sheet.size_px
    tried = np.array(places)
    tried[:, 0] = np.clip(tried[:, 0], sheet.left + half, sheet.left + width - half)
    tried[:, 1] = np.clip(tried[:, 1], sheet.top + high, sheet.top + height - high)
    beyond = np.maximum(np.abs(tried[:, None, :2] - signs[None, :, :2]) - (half, high), 0)
    n_covered = (np.hypot(beyond[..., 0], beyond[..., 1]) < signs[None, :, 2]).sum(axis=1)
    far = np.hypot(*(tried[:, :2] - middle).T) + tried[:, 2]
    x, y, _ = tried[np.lexsort((far, n_covered))[0]]
    return float(x), float(y)


def _walk_along(points: np.ndarray) -> np.ndarray:
    """Return places all along a closed outline, ten to a side."""
    shares = np.linspace(0, 1, 10, endpoint=False)[:, None]
    ends = np.roll(points, -1, axis=0)
    return np.vstack([a + shares * (b - a) for a, b in zip(points, ends, strict=True)])


def _draw_leader(sheet: Sheet, start: tuple[float, float], end: np.ndarray) -> None:
    """Draw a thin line from a name to the zone it belongs to."""
    ends = np.array([start, end])
    canvas.draw_outline(
        sheet.rgb, ends, colour=ZONE_COLOUR, width_px=max(round(sheet.unit / 14), 1), closed=False
    )


def _name_font(sheet: Sheet):
    return sheet.font("narrow_bold", 1.35)


def _to_points(sheet: Sheet, zone: dict[str, Any]) -> np.ndarray:
    outline = zone_outline(zone)
    return np.column_stack(sheet.to_px(outline[:, 0], outline[:, 1]))
