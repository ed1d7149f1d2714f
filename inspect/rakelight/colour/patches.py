"""Does a repair show? Each filled pit or marked patch against the ring of face around it.

Catalogue: `measure_patches` (the table), `list_spots` (those that will read as spots).
Less difference is better.
"""

import math

import cv2
import numpy as np
import pandas as pd

from ..core.records import PATCH_COLUMNS, make_table
from ..core.settings import ColourSettings
from .balance import decode_light
from .difference import WORD_LIMIT, describe_tone, find_lab, measure_dE00
from .evenface import EvenFace
from .levels import RIM_PX, Levels, fit_levels

LEAST_PX = 8.0
"""Below this diameter a patch has no middle that its blurred rim leaves alone (made-up photos)."""
RING, RING_PX = 1.6, 6.0
"""Outer radius of the ring, as a share of the patch's and so many pixels more."""
OWN_PX = 2.0
"""A patch's rim reaches this far beyond its radius."""
RING_LEAST_N = 40


def measure_patches(
    even: EvenFace,
    patches: pd.DataFrame,
    *,
    pits: pd.DataFrame | None = None,
    ages_days: float | np.ndarray = math.nan,
    settings: ColourSettings | None = None,
) -> pd.DataFrame:
    """Return a table with PATCH_COLUMNS, one row per patch in the given order.

    Parameters
    ----------
    even : the soft-light photo, from `even_face`; leave nothing out there that is to be measured.
    patches : table with x_mm, y_mm, diameter_mm (filled pits of the log or marked by hand) and,
        if there, pit_id.
    pits : open pits of this survey (x_mm, y_mm, diameter_mm): they are no part of a ring.
    ages_days : days since the fill, one number or one per patch; NaN when not said.

    Returns
    -------
    Table; a patch that is too small (under 8 pixels), not seen, or without a clean ring has NaN
    and words that say so.

    Errors of the answer
    --------------------
    `dE00_sd` holds grain, noise and the JPEG's rounding of colour, which is the larger part below
    20 pixels (share within 0.5 dE00 by size and quality: `benchmarks/results/colour.md`). The place
    must be right to 1.5 pixels. Sheen is not in it.

    Source
    ------
    Patch against the ring around it: trade notes on filled holes; the rest is our choice.
    """
    settings = settings or ColourSettings()
    taken = _draw_taken(even, patches, pits)
    ages = np.broadcast_to(np.asarray(ages_days, float), len(patches))
    rows = [
        _measure_patch(even, taken, (x, y, diameter), settings)
        for x, y, diameter in zip(
            patches["x_mm"], patches["y_mm"], patches["diameter_mm"], strict=True
        )
    ]
    if not rows:
        return make_table(PATCH_COLUMNS)
    names = patches["pit_id"] if "pit_id" in patches else np.arange(1, len(patches) + 1)
    values = {name: [row[name] for row in rows] for name in rows[0]}
    place = {name: patches[name].to_numpy() for name in ("x_mm", "y_mm", "diameter_mm")}
    return make_table(
        PATCH_COLUMNS, {"patch_id": np.asarray(names)} | place | values | {"age_days": ages.copy()}
    )


def list_spots(table: pd.DataFrame) -> pd.DataFrame:
    """Return the patches that will read as spots, the most different first.

    Errors of the answer: which difference reads as a spot is a setting. Source: our choice.
    """
    return table[table["reads_as_spot"]].sort_values("dE00", ascending=False)


def _draw_taken(even: EvenFace, *tables: pd.DataFrame | None) -> np.ndarray:
    """Return a mask (rows, cols) of everything that must not count as a ring."""
    taken = (~np.asarray(even.face.seen, bool)).astype(np.uint8)
    scale = even.face.mm_per_px
    for table in tables:
        if table is None:
            continue
        for x_mm, y_mm, diameter_mm in zip(
            table["x_mm"], table["y_mm"], table["diameter_mm"], strict=True
        ):
            if math.isfinite(x_mm + y_mm + diameter_mm):
                centre = (round(x_mm / scale - 0.5), round(y_mm / scale - 0.5))
                cv2.circle(taken, centre, math.ceil(diameter_mm / 2 / scale + OWN_PX), 1, -1)
    return taken


def _measure_patch(even: EvenFace, taken: np.ndarray, patch, settings: ColourSettings) -> dict:
    scale = even.face.mm_per_px
    x_px, y_px, radius = patch[0] / scale - 0.5, patch[1] / scale - 0.5, patch[2] / 2 / scale
    if not math.isfinite(x_px + y_px + radius):
        return _give_up("place not known")
    if 2 * radius < LEAST_PX:
        return _give_up("too small to judge")
    rows, cols = taken.shape
    if not (0 <= x_px < cols and 0 <= y_px < rows):
        return _give_up("not seen")
    reach = math.ceil(radius * RING + RING_PX)
    top, left = max(round(y_px) - reach, 0), max(round(x_px) - reach, 0)
    cut = (
        slice(top, min(round(y_px) + reach + 1, rows)),
        slice(left, min(round(x_px) + reach + 1, cols)),
    )
    down, right = np.ogrid[cut[0].start : cut[0].stop, cut[1].start : cut[1].stop]
    away = np.hypot(down - y_px, right - x_px)
    own, seen = away <= radius + OWN_PX, even.face.seen[cut]
    core = (away <= max(radius - RIM_PX, radius / 2)) & seen
    ring = ~own & (away <= reach) & (taken[cut] == 0) & _find_clean(even, cut)
    if core.sum() < 0.6 * math.pi * max(radius - RIM_PX, radius / 2) ** 2:
        return _give_up("not seen")
    if ring.sum() < RING_LEAST_N:
        return _give_up("no clean ring")
    levels = fit_levels(
        decode_light(np.ascontiguousarray(even.face.rgb[cut])), right - x_px, down - y_px,
        radius_px=radius, usable=ring | (own & seen), rounding=even.rounding,
    )  # fmt: skip
    return _compare(levels, even.read_factor(patch[0], patch[1]), settings)


def _find_clean(even: EvenFace, cut: tuple[slice, slice]) -> np.ndarray:
    """Return which pixels of a cut-out lie in clean blocks: no mark, paper, card or blown-out light."""
    clean = even.blocks.clean
    places = [
        np.minimum(
            ((np.arange(part.start, part.stop) + 0.5) * even.face.mm_per_px / even.blocks.block_mm),
            n - 1,
        )
        for part, n in zip(cut, clean.shape, strict=True)
    ]
    return clean[np.ix_(*(place.astype(int) for place in places))]


def _compare(levels: Levels, factor: np.ndarray, settings: ColourSettings) -> dict:
    inner, outer = find_lab(np.array([levels.patch, levels.ring]) * factor).astype(float)
    # One sd more of luma and of each chroma, and what it does to the tone of the patch.
    nudged = find_lab((levels.patch + levels.step_sd) * factor).astype(float)
    de00 = float(measure_dE00(inner, outer))
    de00_sd = float(np.linalg.norm(measure_dE00(nudged, outer) - de00))
    lab_sd = np.linalg.norm(nudged - inner, axis=0)
    words = describe_tone(inner, outer, limit=np.maximum(WORD_LIMIT, 2 * lab_sd))
    return {
        **dict(zip(("L", "a", "b"), inner.tolist(), strict=True)),
        **dict(zip(("ring_L", "ring_a", "ring_b"), outer.tolist(), strict=True)),
        "dE00": de00,
        "dE00_sd": de00_sd,
        "words": words,
        "reads_as_spot": de00 >= settings.spot_dE00 and de00 > 2 * de00_sd,
    }


def _give_up(words: str) -> dict:
    names = ("L", "a", "b", "ring_L", "ring_a", "ring_b", "dE00", "dE00_sd")
    return dict.fromkeys(names, math.nan) | {"words": words, "reads_as_spot": False}
