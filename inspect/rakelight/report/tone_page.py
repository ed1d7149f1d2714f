"""The page on tone in the client report: map, strips along the length, and the filled places.

Drawn only when the record holds a tone that was read; figures and words are the record's own.
"""

import math
from typing import Any

import pandas as pd

from rakelight.core.records import Inspection
from rakelight.core.settings import ColourSettings, ReportSettings

from .tone_map import draw_tone_map
from .tone_strips import draw_tone_strips, lab_to_rgb
from .tone_words import say_gap, say_tone
from .words import Words

MOST_PATCHES = 30
_NEEDED = ("median", "grid_mm", "drift", "grey")


def has_tone(inspection: Inspection) -> bool:
    """Return whether the record holds what the pictures of tone are drawn from."""
    colour = inspection.colour
    return len(colour.table) > 0 and all(name in colour.figures for name in _NEEDED)


def draw_tone_pictures(inspection: Inspection, settings: ReportSettings) -> dict[str, Any]:
    """Return name -> picture (rows, cols, 3) of map and strips; empty when no tone was read."""
    if not has_tone(inspection):
        return {}
    return {
        "tone.jpg": draw_tone_map(inspection, settings=settings),
        "strips.jpg": draw_tone_strips(inspection, settings=settings),
    }


def collect_tone_page(inspection: Inspection, words: Words) -> dict[str, Any] | None:
    """Return what the page says beside its pictures; None when no tone was read."""
    if not has_tone(inspection):
        return None
    patches = pd.DataFrame(inspection.colour.figures.get("patches") or [])
    count, shown = "", []
    if len(patches):
        order = patches["dE00"].astype(float).sort_values(ascending=False, kind="stable").index
        shown = [_collect_patch(patches.loc[row], words) for row in order[:MOST_PATCHES]]
        n_spots = int(patches["reads_as_spot"].astype(bool).sum())
        limit = words.number(_find_limit(inspection), 1)
        count = words.say("tone.gallery_count", n_spots=n_spots, n=len(patches), limit=limit)
    return {"count": count, "patches": shown, "n_more": max(len(patches) - len(shown), 0)}


def _find_limit(inspection: Inspection) -> float:
    saved = inspection.settings.get("colour", {})
    return float(saved.get("spot_dE00", ColourSettings().spot_dE00))


def _collect_patch(patch: pd.Series, words: Words) -> dict[str, Any]:
    number, gap = str(int(patch["patch_id"])), _known(patch["dE00"])
    if not math.isfinite(gap):
        name = words.say("tone.patch_unknown", number=number)
        return {
            "name": name,
            "tone": str(patch["words"]),
            "inner": "",
            "outer": "",
            "is_spot": False,
        }
    gap_text = say_gap(gap, words).removesuffix(" dE00")
    return {
        "name": words.say("tone.patch", number=number, gap=gap_text),
        "tone": say_tone(str(patch["words"]), words),
        "inner": _to_hex([_known(patch[name]) for name in ("L", "a", "b")]),
        "outer": _to_hex([_known(patch[f"ring_{name}"]) for name in ("L", "a", "b")]),
        "is_spot": bool(patch["reads_as_spot"]),
    }


def _to_hex(lab: list[float]) -> str:
    return "#" + "".join(f"{channel:02x}" for channel in lab_to_rgb(lab))


def _known(value: Any) -> float:
    return math.nan if value is None else float(value)
