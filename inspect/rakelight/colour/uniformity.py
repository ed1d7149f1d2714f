"""Is the colour even? Tone on a grid, its spread, and what stands out from it.

Catalogue: `measure_colour` (the whole answer), `read_grid` (the table) and
`measure_spread`. Less spread is better.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from ..core.flags import join_flags
from ..core.records import COLOUR_COLUMNS, ColourReport, FaceMap, make_table
from ..core.settings import ColourSettings
from ..core.threads import share_out
from .balance import Blocks, GreyReading, Shoot
from .blotches import find_blotches, map_tone, measure_mottling
from .difference import (
    find_dE00_sd,
    find_lab,
    grade_grey_scale,
    measure_dE00,
    measure_dEF,
    name_half_grade,
)
from .drift import compare_zones, measure_drift
from .evenface import EvenFace, even_face
from .lines import find_ghosting, find_joints
from .points import compare_ends
from .verdict import describe_evenness, judge_evenness

NO_GREY_NOTE = (
    "No grey reference in the photo: only differences inside this one photo mean anything, and "
    "their size goes with the exposure."
)
ONE_SIDED_NOTE = (
    "The light comes from one side and draws the pits and the grain: tone near them may be shade."
)
MODEL_NOTE = (
    "The lamp's fall-off was read from the face itself: a slow drift of tone from end to end may "
    "have been taken out with it. A second photo with the slab turned by 180 degrees, or one of a "
    "white sheet in the same light, tells lamp from slab."
)


def measure_colour(
    soft_face: FaceMap,
    *,
    grey: Sequence[float] | GreyReading | None = None,
    leave_out: Iterable[Any] = (),
    zones: Iterable[dict[str, Any]] = (),
    shoot: Shoot | None = None,
    settings: ColourSettings | None = None,
    threads: int = 2,
) -> ColourReport:
    """Return the tone of the face on a grid, its spread in dE00, drift, blotches and lines.

    Parameters
    ----------
    soft_face : FaceMap
        Soft-light photo mapped to the slab: uint8 sRGB, or float that is linear already.
    grey : (x_mm, y_mm, width_mm, height_mm[, reflectance]) or GreyReading, optional
        Grey reference on the face, or read beside it; the default reflectance is a setting.
    leave_out : masks and tables
        bool masks on the map's grid (True = leave out); rectangles (x_mm, y_mm, width_mm,
        height_mm); tables of pits and marks.
    zones : mappings
        Pour zones with `name` and an outline or a rectangle in slab mm.
    shoot : Shoot, optional
        What is known of the shooting; a white sheet or a turned slab makes the answer better.
    threads : int
        For the pixel work.

    Returns
    -------
    ColourReport. The table has COLOUR_COLUMNS, one row per cell that was read, rows first.

    Errors of the answer
    --------------------
    See `find_falloff` for the light and `docs` for measured figures; a JPEG rounds colour to
    about 0.3 in a* and b*. Without a grey reference L* is only relative.

    Source
    ------
    CIE L*a*b*, CIEDE2000, ISO 105-A05 as a reading aid; grid and limits: our choice.
    """
    settings, shoot = settings or ColourSettings(), shoot or Shoot()
    how = {"settings": settings, "threads": threads}
    even = even_face(soft_face, grey=grey, leave_out=leave_out, shoot=shoot, **how)
    table = read_grid(even.tone, even.blocks, **how)
    figures = measure_spread(table) | _describe_basis(even, shoot, settings)
    figures["drift"] = measure_drift(
        table, soft_face.size_mm, even.falloff, rounding=even.rounding, settings=settings
    )
    figures["zones"] = compare_zones(table, zones, even.falloff, settings=settings)
    figures |= _find_standouts(even, figures["median"], settings, threads=threads)
    figures["verdict"] = judge_evenness(figures, settings=settings)
    figures["sentence"] = describe_evenness(figures)
    return ColourReport(table, figures, *_name_doubts(even))


def read_grid(
    tone: np.ndarray, blocks: Blocks, *, settings: ColourSettings | None = None, threads: int = 2
) -> pd.DataFrame:
    """Return a table with COLOUR_COLUMNS: the tone of each cell of `settings.grid_mm`.

    `tone` is linear (rows, cols, 3). A cell's tone is the mean of the middle half of its clean
    blocks, channel by channel: as
    deaf to pits and specks as the median, but finer than the steps a JPEG rounds colour to.
    Cells with too little clean face are left out.

    Errors of the answer: below 0.1 in L* for a grainy face; a* and b* see `measure_colour`.
    Source: our choice.
    """
    settings = settings or ColourSettings()
    x_all, y_all = blocks.places_mm
    (rows, y_mm), (cols, x_mm) = (_gather(place, settings.grid_mm) for place in (y_all, x_all))

    def read_channel(channel: int) -> tuple[np.ndarray, np.ndarray]:
        padded = np.full((blocks.clean.shape[0] + 1, blocks.clean.shape[1] + 1), np.nan, np.float32)
        padded[:-1, :-1] = np.where(blocks.clean, tone[:, :, channel], np.nan)
        cells = padded[rows[:, None, :, None], cols[None, :, None, :]]
        return average_middle_half(cells.reshape(len(rows) * len(cols), -1))

    channels = share_out(read_channel, range(3), threads=threads)
    means, n_clean = np.stack([mean for mean, _ in channels], axis=1), channels[0][1]
    keep = n_clean >= settings.cell_seen_min * (settings.grid_mm / blocks.block_mm) ** 2
    place = {"x_mm": np.tile(x_mm, len(rows))[keep], "y_mm": np.repeat(y_mm, len(cols))[keep]}
    lab = find_lab(means[keep]).astype(float)
    return make_table(COLOUR_COLUMNS, place | {name: lab[:, k] for k, name in enumerate("Lab")})


def _gather(places_mm: np.ndarray, grid_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return which blocks lie in each cell (cells, most blocks; -1 = none) and the cells' middles."""
    cell = np.floor(places_mm / grid_mm).astype(int)
    members = [np.flatnonzero(cell == k) for k in range(cell[-1] + 1)]
    members = [m for m in members if len(m)]
    most = max(len(m) for m in members)
    index = np.array([np.pad(m, (0, most - len(m)), constant_values=-1) for m in members])
    # A cell cut by the slab's edge is placed in the middle of the part that exists.
    return index, np.array([places_mm[m].mean() for m in members])


def average_middle_half(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of the middle half of each row (n,) of (n, m), and how many were finite."""
    ordered = np.sort(values, axis=1)  # NaN goes to the end
    n_finite = np.isfinite(ordered).sum(axis=1)
    first = np.floor(n_finite / 4).astype(int)
    last = np.minimum(np.maximum(n_finite - first, first + 1), values.shape[1])
    place = np.arange(values.shape[1])
    is_middle = (place >= first[:, None]) & (place < last[:, None])
    middle = np.where(is_middle, ordered, 0).sum(axis=1, dtype=np.float64) / np.maximum(last - first, 1)
    middle[n_finite == 0] = np.nan
    return middle, n_finite


def measure_spread(table: pd.DataFrame) -> dict[str, Any]:
    """Return how far the cells lie from the slab's median tone, as plain numbers.

    Keys: n_cells, median {L, a, b}, spread_dE00 {median, p95, max, x_mm, y_mm}, grey_scale
    {dE_F, grade, half_grade}: the grade of the cell that 95 % do not exceed. NaN when empty.

    Errors of the answer: noise adds to spread, so a perfectly even face reads about 0.3.
    Source: CIEDE2000; ISO 105-A05 as a reading aid, not a limit for concrete.
    """
    tones = table[["L", "a", "b"]].to_numpy()
    if not len(tones):
        spread = dict.fromkeys(("median", "p95", "max", "x_mm", "y_mm"), math.nan)
        aid = {"dE_F": math.nan, "grade": math.nan, "half_grade": "–"}
        return {
            "n_cells": 0, "median": dict.fromkeys("Lab", math.nan),
            "spread_dE00": spread, "grey_scale": aid,
        }
    middle = np.median(tones, axis=0)
    gaps = measure_dE00(tones, middle)
    worst = int(np.argmax(gaps))
    de_f = float(np.quantile(measure_dEF(tones, middle), 0.95))
    return {
        "n_cells": len(tones),
        "median": dict(zip("Lab", middle.tolist(), strict=True)),
        "spread_dE00": {
            "median": float(np.median(gaps)), "p95": float(np.quantile(gaps, 0.95)),
            "max": float(gaps[worst]),
            "x_mm": float(table["x_mm"].iloc[worst]), "y_mm": float(table["y_mm"].iloc[worst]),
        },
        "grey_scale": {
            "dE_F": de_f, "grade": grade_grey_scale(de_f), "half_grade": name_half_grade(de_f),
        },
    }


def _find_standouts(
    even: EvenFace, median: dict[str, float], settings: ColourSettings, *, threads: int
) -> dict[str, Any]:
    tones = map_tone(even.tone, even.blocks)
    if not tones.seen.any() or not math.isfinite(median["L"]):
        return {"noise_dE00": math.nan, "blotches": [], "mottling": [], "lines": [], "thirteen_points": None}
    middle = np.array([median[name] for name in "Lab"])
    noise_dE00 = find_dE00_sd(middle, middle, np.array(even.rounding.lab_sd))
    asked = (
        lambda: find_joints(tones),
        lambda: find_blotches(tones, middle, noise_dE00=noise_dE00, settings=settings),
        lambda: measure_mottling(tones),
    )
    joints, blotches, mottling = share_out(lambda step: step(), asked, threads=threads)
    return {
        "noise_dE00": noise_dE00, "blotches": blotches, "mottling": mottling,
        "lines": [*joints, *find_ghosting(tones)],
        "thirteen_points": compare_ends(tones) if even.falloff.separates_drift else None,
    }


def _name_doubts(even: EvenFace) -> tuple[int, tuple[str, ...]]:
    """Return the flags and the notes that go with a report."""
    doubts = (
        ("no_grey_reference", NO_GREY_NOTE, even.reading is None),
        ("drift_not_separated", MODEL_NOTE, not even.falloff.separates_drift),
        ("", ONE_SIDED_NOTE, even.side_light.is_raking),
    )
    names = (name for name, _, holds in doubts if holds and name)
    return join_flags(names), tuple(note for _, note, holds in doubts if holds)


def _describe_basis(even: EvenFace, shoot: Shoot, settings: ColourSettings) -> dict[str, Any]:
    reading = even.reading
    return {
        "seen_share": float(np.mean(even.blocks.clean)),
        "grey": "none" if reading is None else "patch",
        "grey_reflectance": math.nan if reading is None else reading.reflectance,
        "light": even.falloff.basis,
        "grid_mm": settings.grid_mm,
        "block_mm": even.blocks.block_mm,
        "age_days": float(shoot.age_days),
        "moisture": shoot.moisture,
    }
