"""Does the tone drift over the slab, or step between pours? With an interval, and an honest third answer.

Catalogue: `measure_drift` (end to end, along and across), `compare_zones` (pour against pour),
`read_strip` (tone along the slab). A drift that one photo cannot tell from the lamp is called
`cannot_tell`, never even.
"""

import math
from collections.abc import Iterable
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from ..core.outlines import is_inside, zone_outline
from ..core.settings import ColourSettings
from .difference import ROUNDING_SD, WORD_LIMIT, describe_tone, find_dE00_sd, measure_dE00
from .falloff import Falloff
from .rounding import Rounding

COVER = 0.95
"""Share of intervals that should hold the true drift."""


def measure_drift(
    table: pd.DataFrame,
    size_mm: tuple[float, float],
    falloff: Falloff,
    *,
    rounding: Rounding | None = None,
    settings: ColourSettings | None = None,
) -> list[dict[str, Any]]:
    """Return the change of tone from left to right and from top to bottom, with 95 % intervals.

    Parameters
    ----------
    table : COLOUR_COLUMNS, from `read_grid`.
    size_mm : width and height of the face.
    falloff : how the lamp's light was taken out; its uncertainty is part of the interval.
    rounding : of the photo's file, as in `EvenFace`; None counts as a usual decoding of a phone's JPEG.

    Returns
    -------
    Two mappings: from, to, dE00, low, high, dL, dL_sd, words, verdict (drift, even or
    cannot_tell), is_separated (False: one photo, lamp and slab cannot be told apart) and
    light_dE00, the change that was taken out as the lamp's. Empty when fewer than four cells lie
    along an axis.

    Errors of the answer
    --------------------
    The interval holds mottling (its waves are counted from the photo itself) and the lamp. With
    the light modelled from the face alone it is as wide as a soft lamp may do.

    Source
    ------
    Straight line by least squares; fewer independent cells after Bartlett, 1946; degrees of freedom
    of an sd of parts after Welch and Satterthwaite (both from memory).
    """
    settings = settings or ColourSettings()
    round_sd = ROUNDING_SD if rounding is None else rounding.lab_sd
    answers = []
    for axis, (first, last) in enumerate((("left", "right"), ("top", "bottom"))):
        strip = read_strip(table, "xy"[axis])
        if len(strip) < 4:
            continue
        change, sd, spare = _fit_line(strip, size_mm[axis])
        per_log = (strip["L"].median() + 16) / 3
        light_step = per_log * falloff.end_change[axis]
        if not falloff.separates_drift:
            # What the model took out may be the slab's own: give it back, with the lamp's range.
            change = change + np.array([light_step, 0, 0])
        fit_sd, sd = sd, np.hypot(sd, [per_log * falloff.end_sd[axis], *round_sd[1:]])
        spare = _widen_spare(spare, fit_sd, sd)
        middle = strip[["L", "a", "b"]].median().to_numpy()
        answer = {"from": first, "to": last, **give_interval(middle, change, sd, spare)}
        half_step = np.array([light_step / 2, 0, 0])
        answer["light_dE00"] = float(measure_dE00(middle + half_step, middle - half_step))
        answer["is_separated"] = falloff.separates_drift
        answer["verdict"] = _judge(answer, falloff.separates_drift, settings.drift_even_dE00)
        answers.append(answer)
    return answers


def read_strip(table: pd.DataFrame, along: str = "x") -> pd.DataFrame:
    """Return the median tone of the cells at each place along x or y, in order (place_mm, L, a, b, n).

    Errors of the answer: a blotch that fills more than half of the width moves it.
    Source: our choice.
    """
    places, which, n_cells = np.unique(
        table[f"{along}_mm"].to_numpy().round(1), return_inverse=True, return_counts=True
    )
    order = np.argsort(which, kind="stable")
    column = np.arange(len(which)) - np.repeat(np.cumsum(n_cells) - n_cells, n_cells)
    cells = np.full((len(places), max(n_cells, default=0), 3), np.nan)
    cells[which[order], column] = table[["L", "a", "b"]].to_numpy()[order]
    cells, rows = np.sort(cells, axis=1), np.arange(len(places))  # NaN goes to the end
    middles = (cells[rows, (n_cells - 1) // 2] + cells[rows, n_cells // 2]) / 2
    columns = {"place_mm": places} | {name: middles[:, k] for k, name in enumerate("Lab")}
    return pd.DataFrame(columns | {"n": n_cells})


def _fit_line(strip: pd.DataFrame, length_mm: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the change (L, a, b) over the length, its sd, and the spare places (degrees of freedom)."""
    place = strip["place_mm"].to_numpy() / length_mm - 0.5
    place = place - place.mean()
    tones = strip[["L", "a", "b"]].to_numpy()
    change = place @ tones / np.square(place).sum()
    rest = tones - tones.mean(axis=0) - place[:, None] * change
    share = _count_independent(rest[:, 0])
    n_free = max(len(place) * share - 2, 1.0)
    variance = np.square(rest).sum(axis=0) / max(len(place) - 2, 1)
    sd = np.sqrt(variance / np.square(place).sum() / share)
    return change, sd, n_free


def _widen_spare(spare: float, fit_sd: np.ndarray, sd: np.ndarray) -> float:
    """Return the degrees of freedom of an sd that only in part comes from the fit (Welch and Satterthwaite)."""
    return spare * float((np.square(sd).sum() / max(np.square(fit_sd).sum(), 1e-12)) ** 2)


def _count_independent(rest: np.ndarray) -> float:
    """Return the share of the places that count as independent, 0 to 1, from their own likeness."""
    n_places = len(rest)
    power = float(np.square(rest).sum())
    if power <= 0 or n_places < 6:
        return 1.0
    like = float((rest[1:] * rest[:-1]).sum()) / power
    # A fitted line hides part of the likeness of short rows (Bartlett's bias, first order).
    like = min(max(like + (1 + 3 * max(like, 0)) / n_places, 0.0), 0.9)
    return (1 - like) / (1 + like)


def give_interval(
    middle: np.ndarray, change: np.ndarray, sd: np.ndarray, n_free: float
) -> dict[str, Any]:
    """Return a change of L*a*b* as dE00 with its 95 % interval, dL and words.

    `sd` (3,) is the standard uncertainty of `change`, `n_free` its degrees of freedom.

    Errors of the answer: first order in `sd`. Source: definition.
    """
    from scipy.special import fdtri, stdtrit  # only drift needs them

    de00 = float(measure_dE00(middle + change / 2, middle - change / 2))
    reach = float(stdtrit(n_free, (1 + COVER) / 2))
    de00_sd = find_dE00_sd(middle + change / 2, middle - change / 2, sd)
    # A length is never negative, so three noisy channels always make one: ask all three first.
    is_clear = np.square(change / np.maximum(sd, 1e-9)).sum() / 3 > fdtri(3, n_free, COVER)
    return {
        "dE00": de00, "low": max(de00 - reach * de00_sd, 0.0) if is_clear else 0.0,
        "high": de00 + reach * de00_sd,
        "dL": float(change[0]), "dL_sd": float(sd[0]),
        "words": describe_tone(middle + change, middle, limit=np.maximum(WORD_LIMIT, reach * sd)),
    }


def _judge(answer: dict[str, Any], is_separated: bool, even_dE00: float) -> str:
    if not is_separated:
        return "cannot_tell"
    if answer["dE00"] >= even_dE00 and answer["low"] > 0:
        return "drift"
    return "even" if answer["high"] <= 3 * even_dE00 else "cannot_tell"


def compare_zones(
    table: pd.DataFrame,
    zones: Iterable[dict[str, Any]],
    falloff: Falloff,
    *,
    settings: ColourSettings | None = None,
) -> list[dict[str, Any]]:
    """Return how the tones of pour zones differ, pair by pair, with 95 % intervals.

    Parameters
    ----------
    table : COLOUR_COLUMNS.
    zones : mappings with `name` and `outline_mm` or x_mm, y_mm, width_mm, height_mm; a `kind`
        other than ``pour`` is passed over.

    Returns
    -------
    One mapping per pair of zones with at least four cells each: zones, dE00, low, high, dL,
    dL_sd, words (the second against the first), verdict.

    Errors of the answer
    --------------------
    As `measure_drift`; far apart zones carry more of the lamp's uncertainty than neighbours.

    Source
    ------
    Our choice.
    """
    settings = settings or ColourSettings()
    found = []
    for zone in zones:
        inside = find_cells_inside(table, zone)
        if zone.get("kind", "pour") == "pour" and inside.sum() >= 4:
            found.append((zone["name"], table[inside]))
    if len(found) < 2:
        return []
    span = np.maximum(table[["x_mm", "y_mm"]].max() - table[["x_mm", "y_mm"]].min(), 1.0).to_numpy()
    return [_compare_two(first, second, falloff, span, settings) for first, second in combinations(found, 2)]


def find_cells_inside(table: pd.DataFrame, zone: dict[str, Any]) -> np.ndarray:
    """Return which cells have their centre inside a zone (bool, one per row)."""
    return is_inside(zone_outline(zone), table["x_mm"].to_numpy(), table["y_mm"].to_numpy())


def _compare_two(first, second, falloff: Falloff, span: np.ndarray, settings) -> dict[str, Any]:
    names, tables = (first[0], second[0]), (first[1], second[1])
    middles = [rows[["L", "a", "b"]].median().to_numpy() for rows in tables]
    variances, n_free = np.zeros(3), 0.0
    for rows in tables:
        tones = rows[["L", "a", "b"]].to_numpy()
        n_alone = max(len(rows) * _count_independent_cells(rows), 2.0)
        variances += tones.var(axis=0, ddof=1) / n_alone * math.pi / 2  # of a median, normal
        n_free += n_alone - 1
    gap = [rows[["x_mm", "y_mm"]].mean().to_numpy() for rows in tables]
    share = np.abs(gap[1] - gap[0]) / span
    per_log = (middles[0][0] + 16) / 3
    variances[0] += np.square(share * falloff.end_sd * per_log).sum()
    middle = (middles[0] + middles[1]) / 2
    answer = give_interval(middle, middles[1] - middles[0], np.sqrt(variances), n_free)
    is_separated = falloff.separates_drift
    return {"zones": names, **answer, "verdict": _judge(answer, is_separated, settings.drift_even_dE00)}


def _count_independent_cells(rows: pd.DataFrame) -> float:
    """Return the share of independent cells in a zone, from the likeness along both axes."""
    plan = rows.pivot_table(index=rows["y_mm"].round(1), columns=rows["x_mm"].round(1), values="L")
    rest = plan.to_numpy() - np.nanmean(plan.to_numpy())
    share = 1.0
    for axis in (0, 1):
        moved = np.moveaxis(rest, axis, 0)
        pairs = moved[1:] * moved[:-1]
        if np.isfinite(pairs).sum() < 6:
            continue
        like = float(np.nanmean(pairs) / max(np.nanmean(np.square(rest)), 1e-12))
        like = min(max(like + 1.0 / len(moved), 0.0), 0.9)
        share *= (1 - like) / (1 + like)
    return share
