"""Counts, shares and ranges of a comparison: what a report prints and a log keeps.

Catalogue: `count_changes` (all of it, as plain numbers and words), `share_repaired` (how many of
the pits that were sure are closed), `wilson_range` (range of a share), `mcnemar_p` (as many closed
as new?), `bootstrap_areas` (open area before and after).
"""

from typing import Any

import numpy as np
import pandas as pd

from ..core.records import STATES, Inspection
from ..core.settings import CompareSettings, MeasureSettings

SPOT_DE00 = 3.0
"""A patch whose tone differs more than this from the ring around it is listed as a spot (our
choice; about what a careful eye sees side by side on a mottled face)."""

SEED = 11
STILL_OPEN = ("open", "dished", "new")


def count_changes(
    table: pd.DataFrame,
    before: Inspection,
    after: Inspection,
    *,
    settings: CompareSettings | None = None,
) -> dict[str, Any]:
    """Return counts by state and size band, shares with ranges, the refill list and one sentence.

    Parameters
    ----------
    table : CHANGE_COLUMNS. before, after : the two surveys it was made from.

    Errors of the answer
    --------------------
    Ranges hold sampling and measuring noise of single pits and the two scales' errors; they do
    not hold what both photos missed alike.
    """
    settings = settings or CompareSettings()
    areas = bootstrap_areas(table, before, after, settings=settings)
    was = table["before_id"].notna()
    n_closed = int((was & (table["state"] == "closed")).sum())
    n_new = int((table["state"] == "new").sum())
    p_value = mcnemar_p(n_closed, n_new)
    is_real = not areas["difference"]["low"] <= 0 <= areas["difference"]["high"]
    figures = {
        "counts": {state: int((table["state"] == state).sum()) for state in STATES},
        "n_unseen_before": int((~was & (table["state"] == "unseen")).sum()),
        "by_band": count_bands(table),
        "repaired_share": share_repaired(table, before.pits, settings=settings),
        "area_share": areas,
        "mcnemar": {"n_closed": n_closed, "n_new": n_new, "p": p_value},
        "is_more_than_noise": bool(is_real and p_value < 1 - settings.interval),
        "grades": pair_grades(before, after),
        "refill": list_refill(table),
        "spots": [int(i) for i in table.loc[(table["tone_dE00"] > SPOT_DE00) & was, "before_id"]],
        "interval": settings.interval,
    }
    return {**figures, "sentence": write_sentence(figures)}


def share_repaired(
    table: pd.DataFrame, pits: pd.DataFrame, *, settings: CompareSettings
) -> dict[str, float]:
    """Return the share of the pits that were sure before and are closed now, with its range.

    The work list holds places that may be no pits; whoever finds texture there leaves it as it is.
    It stays as hollow as it was, is called open, and says nothing of the repair. The share is
    therefore that of pits both photos can show and the earlier survey was sure of; n, n_closed :
    those pits, which can be counted again on the work sheet. n_listed, n_listed_closed : the same of
    all listed places.

    Errors of the answer
    --------------------
    The range is Wilson's of the sure pits, widened to hold the share of all listed places. A survey
    that is sure of none gives NaN and their range.

    Source
    ------
    Our choice. Weighing each place by its confidence gives nearly the same, but no one can count
    it again.
    """
    rows = table[table["before_id"].notna() & table["state"].isin(("closed", "dished", "open"))]
    is_closed = (rows["state"] == "closed").to_numpy(bool)
    confidence = pits.set_index("pit_id")["confidence"].reindex(rows["before_id"].astype(int))
    is_sure = confidence.to_numpy(float) >= settings.sure_from
    n, n_closed = int(is_sure.sum()), int((is_sure & is_closed).sum())
    counted = (n_closed, n) if n else (int(is_closed.sum()), len(rows))
    low, high = wilson_range(*counted, level=settings.interval)
    listed_share = float(is_closed.mean()) if len(rows) else float("nan")
    return {
        "value": n_closed / n if n else float("nan"),
        "low": float(np.nanmin([low, listed_share])),
        "high": float(np.nanmax([high, listed_share])),
        "n": n,
        "n_closed": n_closed,
        "n_listed": len(rows),
        "n_listed_closed": int(is_closed.sum()),
    }


def wilson_range(n_yes: int, n_all: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the Wilson range of a share; (0, 1) when nothing was counted.

    Source: Wilson, Probable inference, 1927 (from memory; checked against statsmodels).
    """
    from scipy.special import ndtri

    if n_all == 0:
        return 0.0, 1.0
    z2 = ndtri(0.5 + level / 2) ** 2
    share = n_yes / n_all
    middle = (share + z2 / (2 * n_all)) / (1 + z2 / n_all)
    reach = np.sqrt(z2 * (share * (1 - share) / n_all + z2 / (4 * n_all**2))) / (1 + z2 / n_all)
    return float(max(middle - reach, 0.0)), float(min(middle + reach, 1.0))


def mcnemar_p(n_closed: int, n_new: int) -> float:
    """Return the two-sided exact chance of so uneven numbers if closing and opening were alike.

    Source: McNemar, Note on the sampling error of the difference between correlated
    proportions, 1947 (from memory; checked against statsmodels).
    """
    from scipy.stats import binom

    n_all = n_closed + n_new
    return float(min(1.0, 2 * binom.cdf(min(n_closed, n_new), n_all, 0.5))) if n_all else 1.0


def bootstrap_areas(
    table: pd.DataFrame, before: Inspection, after: Inspection, *, settings: CompareSettings
) -> dict[str, dict[str, float]]:
    """Return open area as a share of the face seen, before, after and their difference, with ranges.

    Both use only pits that both photos could show and the face that both cover, so that a
    better photo does not look like a worse face.
    """
    is_fair = (table["state"] != "unseen").to_numpy()
    rows = table[is_fair]
    seen_mm2 = _seen_mm2(before, after)
    was = _areas(rows, "before_id", "before_diameter_mm", before.pits)
    now = _areas(rows, "after_id", "after_diameter_mm", after.pits)
    rng = np.random.default_rng(SEED)
    weights = rng.poisson(1.0, (settings.resamples, len(rows)))
    scale = 1 + 2 * rng.standard_normal((settings.resamples, 2)) * [
        _scale_sd(before),
        _scale_sd(after),
    ]
    # Single pits' size errors average out; they are added as one normal spread of the sum.
    sums_was = (
        weights @ was["area_mm2"] + rng.standard_normal(settings.resamples) * was["sd_mm2"]
    ) * scale[:, 0]
    sums_now = (
        weights @ now["area_mm2"] + rng.standard_normal(settings.resamples) * now["sd_mm2"]
    ) * scale[:, 1]
    total_was, total_now = float(was["area_mm2"].sum()), float(now["area_mm2"].sum())
    return {
        "before": _range(total_was, sums_was, seen_mm2, settings.interval),
        "after": _range(total_now, sums_now, seen_mm2, settings.interval),
        "difference": _range(
            total_now - total_was, sums_now - sums_was, seen_mm2, settings.interval
        ),
        "seen_mm2": seen_mm2,
    }


def count_bands(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the states counted by size band, by the earlier diameter or, for new pits, the later."""
    measure = MeasureSettings()
    edges_mm = (0.0, measure.pinhole_below_mm, 6.0, measure.void_above_mm, np.inf)
    names = ("pinhole", "small bug hole", "large bug hole", "void")
    size_mm = table["before_diameter_mm"].fillna(table["after_diameter_mm"]).to_numpy(float)
    bands = []
    for name, low_mm, high_mm in zip(names, edges_mm[:-1], edges_mm[1:], strict=True):
        inside = table[(size_mm >= low_mm) & (size_mm < high_mm)]
        counts = {state: int((inside["state"] == state).sum()) for state in STATES}
        band = {"band": name, "low_mm": low_mm, "high_mm": None if np.isinf(high_mm) else high_mm}
        bands.append({**band, "n_before": int(inside["before_id"].notna().sum()), **counts})
    return bands


def list_refill(table: pd.DataFrame) -> list[int]:
    """Return the later survey's numbers of every place still or newly open, largest first."""
    is_open = table["state"].isin(STILL_OPEN) | (table["state"] == "unseen")
    rows = table[is_open & table["after_id"].notna()]
    return [int(i) for i in rows.sort_values("after_diameter_mm", ascending=False)["after_id"]]


def pair_grades(before: Inspection, after: Inspection) -> list[dict[str, Any]]:
    """Return each scheme's class before and after, with the classes their ranges touch."""
    later = {grade.scheme: grade for grade in after.grade.grades}
    return [
        {
            "scheme": was.scheme,
            "title": was.title,
            "before": was.class_name,
            "before_range": list(was.range),
            "after": later[was.scheme].class_name,
            "after_range": list(later[was.scheme].range),
        }
        for was in before.grade.grades
        if was.scheme in later
    ]


def write_sentence(figures: dict[str, Any]) -> str:
    """Return one plain sentence on what the comparison shows and does not show."""
    counts, share = figures["counts"], figures["repaired_share"]
    if not share["n_listed"]:
        return "No pit of the earlier survey can be judged in the later photo."
    is_all_sure = share["n"] == share["n_listed"]
    reach = f" ({share['low']:.0%} to {share['high']:.0%})"
    text = (
        f"Of {share['n_listed']} pits that both photos can show, {counts['closed']} are closed"
        f"{reach if is_all_sure else ''}, {counts['dished']} sank, "
        f"{counts['open']} are open, and {counts['new']} are new."
    )
    if share["n"] and not is_all_sure:
        text += (
            f" Of the {share['n']} that were sure before, {share['n_closed']} are closed{reach}."
        )
    if not figures["is_more_than_noise"]:
        text += " The change in open area is within what two photos of the same face can differ by."
    return text


def _areas(
    rows: pd.DataFrame, id_name: str, diameter_name: str, pits: pd.DataFrame
) -> dict[str, Any]:
    """Open area of each row in one survey (0 when not open there), and the sd of their sum."""
    diameter_mm = rows[diameter_name].fillna(0.0).to_numpy(float)
    sd_mm = pits.set_index("pit_id")["diameter_sd_mm"].reindex(rows[id_name].fillna(-1).astype(int))
    area_sd_mm2 = np.pi / 2 * diameter_mm * sd_mm.fillna(0.0).to_numpy(float)
    return {
        "area_mm2": np.pi / 4 * diameter_mm**2,
        "sd_mm2": float(np.sqrt(np.sum(area_sd_mm2**2))),
    }


def _scale_sd(inspection: Inspection) -> float:
    scale = inspection.scale
    share = scale.mm_per_px_sd / scale.mm_per_px
    return float(share) if np.isfinite(share) else 0.0


def _seen_mm2(before: Inspection, after: Inspection) -> float:
    areas = []
    for survey in (before, after):
        width_mm, height_mm = survey.scale.size_mm
        areas.append(survey.face.seen_mm2 or width_mm * height_mm)
    return float(min(areas))


def _range(value: float, samples: np.ndarray, seen_mm2: float, level: float) -> dict[str, float]:
    low, high = np.quantile(samples, [0.5 - level / 2, 0.5 + level / 2])
    return {"value": value / seen_mm2, "low": float(low) / seen_mm2, "high": float(high) / seen_mm2}
