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
from .balance import average_middle, decode_light
from .difference import ROUNDING_SD, WORD_LIMIT, describe_tone, find_dE00_sd, find_lab, measure_dE00
from .evenface import EvenFace

LEAST_PX = 8.0
"""Below this diameter a patch has no middle that its blurred rim leaves alone (made-up photos)."""
RIM_PX = 1.7
"""Width of a patch's rim that blur and sharpening touch (made-up photos)."""
RING = (1.25, 2.0)
"""Inner and outer radius of the ring, as shares of the patch's."""
RING_PX = (2.0, 6.0)
RING_LEAST_N = 40
RELATED_PX = 4.0
"""Neighbouring pixels tell the same: so many count as one for the uncertainty (our choice)."""


def measure_patches(
    even: EvenFace,
    patches: pd.DataFrame,
    *,
    ages_days: float | np.ndarray = math.nan,
    settings: ColourSettings | None = None,
) -> pd.DataFrame:
    """Return a table with PATCH_COLUMNS, one row per patch in the given order.

    Parameters
    ----------
    even : the soft-light photo, from `even_face`; leave nothing out there that is to be measured.
    patches : table with x_mm, y_mm, diameter_mm (filled pits of the log or marked by hand) and,
        if there, pit_id.
    ages_days : days since the fill, one number or one per patch; NaN when not said.

    Returns
    -------
    Table; a patch that is too small (under 8 pixels), not seen, or without a clean ring has NaN
    and words that say so.

    Errors of the answer
    --------------------
    Within 0.5 dE00 on made-up photos for patches of 8 pixels and more whose place is right to
    1.5 pixels; sheen, and a JPEG's coarse colour on small patches, are not in that.

    Source
    ------
    Patch against the ring around it: trade notes on filled holes; the rest is our choice.
    """
    settings = settings or ColourSettings()
    taken = _draw_patches(even, patches)
    ages = np.broadcast_to(np.asarray(ages_days, float), len(patches))
    rows = [
        _measure_patch(even, taken, (x, y, diameter), settings)
        for x, y, diameter in zip(patches["x_mm"], patches["y_mm"], patches["diameter_mm"], strict=True)
    ]
    if not rows:
        return make_table(PATCH_COLUMNS)
    names = patches["pit_id"] if "pit_id" in patches else np.arange(1, len(patches) + 1)
    values = {name: [row[name] for row in rows] for name in rows[0]}
    place = {name: patches[name].to_numpy() for name in ("x_mm", "y_mm", "diameter_mm")}
    return make_table(PATCH_COLUMNS, {"patch_id": np.asarray(names)} | place | values | {"age_days": ages.copy()})


def list_spots(table: pd.DataFrame) -> pd.DataFrame:
    """Return the patches that will read as spots, the most different first.

    Errors of the answer: which difference reads as a spot is a setting. Source: our choice.
    """
    return table[table["reads_as_spot"]].sort_values("dE00", ascending=False)


def _draw_patches(even: EvenFace, patches: pd.DataFrame) -> np.ndarray:
    """Return a mask (rows, cols) of everything that must not count as a ring."""
    taken = (~np.asarray(even.face.seen, bool)).astype(np.uint8)
    scale = even.face.mm_per_px
    for x_mm, y_mm, diameter_mm in zip(
        patches["x_mm"], patches["y_mm"], patches["diameter_mm"], strict=True
    ):
        if math.isfinite(x_mm + y_mm + diameter_mm):
            centre = (round(x_mm / scale - 0.5), round(y_mm / scale - 0.5))
            cv2.circle(taken, centre, math.ceil(diameter_mm / 2 / scale + RING_PX[0]), 1, -1)
    return taken


def _measure_patch(even: EvenFace, taken: np.ndarray, patch, settings: ColourSettings) -> dict:
    scale = even.face.mm_per_px
    x_px, y_px, radius = patch[0] / scale - 0.5, patch[1] / scale - 0.5, patch[2] / 2 / scale
    if not math.isfinite(x_px + y_px + radius):
        return _give_up("place not known")
    if 2 * radius < LEAST_PX:
        return _give_up("too small to judge")
    reach = math.ceil(radius * RING[1] + RING_PX[1])
    rows, cols = taken.shape
    if not (0 <= x_px < cols and 0 <= y_px < rows):
        return _give_up("not seen")
    top, left = max(round(y_px) - reach, 0), max(round(x_px) - reach, 0)
    cut = (slice(top, min(round(y_px) + reach + 1, rows)), slice(left, min(round(x_px) + reach + 1, cols)))
    light = decode_light(np.ascontiguousarray(even.face.rgb[cut]))
    down, right = np.ogrid[cut[0].start : cut[0].stop, cut[1].start : cut[1].stop]
    away = np.hypot(down - y_px, right - x_px)
    core = (away <= max(radius - RIM_PX, radius / 2)) & even.face.seen[cut]
    ring = (away >= radius * RING[0] + RING_PX[0]) & (away <= reach) & (taken[cut] == 0)
    if core.sum() < 0.6 * math.pi * max(radius - RIM_PX, radius / 2) ** 2:
        return _give_up("not seen")
    if ring.sum() < RING_LEAST_N:
        return _give_up("no clean ring")
    return _compare(light[core], light[ring], even.read_factor(patch[0], patch[1]), settings)


def _compare(core: np.ndarray, ring: np.ndarray, factor: np.ndarray, settings: ColourSettings) -> dict:
    lights = np.array([average_middle(core), average_middle(ring)]) * factor
    inner, outer = find_lab(lights).astype(float)
    sds = [lab_sd(pixels * factor) for pixels in (core, ring)]
    sd = np.sqrt(np.square([*sds, ROUNDING_SD, ROUNDING_SD]).sum(axis=0))
    de00, de00_sd = float(measure_dE00(inner, outer)), find_dE00_sd(inner, outer, sd)
    words = describe_tone(inner, outer, limit=np.maximum(WORD_LIMIT, 2 * sd))
    return {
        **dict(zip(("L", "a", "b"), inner.tolist(), strict=True)),
        **dict(zip(("ring_L", "ring_a", "ring_b"), outer.tolist(), strict=True)),
        "dE00": de00, "dE00_sd": de00_sd, "words": words,
        "reads_as_spot": de00 >= settings.spot_dE00 and de00 > 2 * de00_sd,
    }


def lab_sd(light: np.ndarray) -> np.ndarray:
    """Return the standard uncertainty (3,) of the mean L*a*b* of linear pixels (n, 3).

    Errors of the answer: neighbouring pixels are taken four for one. Source: our choice.
    """
    lab = find_lab(light)
    spread = 1.4826 * np.median(np.abs(lab - np.median(lab, axis=0)), axis=0)
    return spread.astype(float) / math.sqrt(max(len(light) / RELATED_PX, 1))


def _give_up(words: str) -> dict:
    names = ("L", "a", "b", "ring_L", "ring_a", "ring_b", "dE00", "dE00_sd")
    return dict.fromkeys(names, math.nan) | {"words": words, "reads_as_spot": False}
