"""Does the process drift? Pits per square metre, week by week, for all, for each mix and each mould.

| figure | meaning | better |
|---|---|---|
| `pits_per_m2` | pits counted over area seen, all photos of the week together | lower |
| `centre` | the same over all weeks | lower |
| `lower`, `upper` | what weeks of this process vary between by themselves | narrower |
| `signal` | above, below, run_above, run_below: look for a cause; empty: leave the process alone | empty |
"""

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from ..core.records import TREND_COLUMNS, make_table
from ..core.settings import BatchSettings

MOVING_RANGE_D2 = 1.128
"""Mean range of two normal values over their standard deviation: 2 / sqrt(pi), tables of SPC."""

GROUPINGS = ("all", "mix", "mould")


def find_trends(
    summary: pd.DataFrame, *, settings: BatchSettings = BatchSettings()
) -> pd.DataFrame:
    """Return one row (TREND_COLUMNS) per stage, group and ISO week, in order of time.

    Parameters
    ----------
    summary : DataFrame
        BATCH_COLUMNS. Photos to retake, those that cannot show the smallest size counted, those
        without a day and those of another counted size than most are left out of the counts.
    settings : BatchSettings

    Returns
    -------
    DataFrame
        Without limits (NaN) while a group has fewer weeks than `chart_weeks_min`.

    Errors of the answer
    --------------------
    Limits from fewer than about 20 weeks move a good deal with every new week. A change of camera,
    lamp or stage of the work looks like a change of the process.

    Source
    ------
    See `find_limits`; weeks of ISO 8601.
    """
    usable = find_usable(summary)
    dated = summary[summary["day"] != ""].copy()
    if dated.empty:
        return make_table(TREND_COLUMNS)
    dated["week"] = [_name_week(day) for day in dated["day"]]
    dated["is_usable"] = usable[dated.index]
    parts = [_chart(*named, settings) for named in _list_groups(dated)]
    return pd.concat(parts, ignore_index=True) if parts else make_table(TREND_COLUMNS)


def find_usable(summary: pd.DataFrame) -> pd.Series:
    """Return which photos may be counted together (bool per row)."""
    is_measured = (summary["state"] == "measured") & (summary["seen_m2"] > 0)
    counted = summary.loc[is_measured, "smallest_mm"]
    usual_mm = counted.mode().iloc[0] if len(counted) else math.nan
    return (
        is_measured
        & ~summary["verdict"].isin(("retake", "lamp_side"))
        & (summary["smallest_countable_mm"] <= summary["smallest_mm"])
        & np.isclose(summary["smallest_mm"], usual_mm)
    )


def find_limits(
    n_pits: np.ndarray, seen_m2: np.ndarray, *, sigmas: float = 3.0
) -> tuple[float, np.ndarray, np.ndarray]:
    """Return centre, lower and upper limits of a chart of counts per area, 1/m2.

    Parameters
    ----------
    n_pits, seen_m2 : float (weeks,), in order of time; areas above zero
    sigmas : float
        Distance of the limits.

    Errors of the answer
    --------------------
    False alarms of a steady process: about 3 in 1000 weeks with many weeks, more with few.

    Source
    ------
    u chart with limits for unequal areas, standard of the trade of quality; widened by how much
    more than Poisson the weeks vary, after D. B. Laney, Improved Control Charts for Attributes,
    Quality Engineering 14, 2002: sigma_z is the mean moving range of the z values over 1.128.
    Never narrower than Poisson: our choice.
    """
    n_pits, seen_m2 = np.asarray(n_pits, float), np.asarray(seen_m2, float)
    centre = float(n_pits.sum() / seen_m2.sum())
    sd = np.sqrt(centre / seen_m2)
    z = (n_pits / seen_m2 - centre) / np.where(sd > 0, sd, 1.0)
    sigma_z = float(np.abs(np.diff(z)).mean() / MOVING_RANGE_D2) if len(z) > 1 else 1.0
    reach = sigmas * max(sigma_z, 1.0) * sd
    return centre, np.maximum(centre - reach, 0.0), centre + reach


def find_signals(
    values: np.ndarray, centre: float, lower: np.ndarray, upper: np.ndarray, *, run: int = 8
) -> list[str]:
    """Return per week: above, below, run_above, run_below or nothing.

    Source
    ------
    Beyond a limit: Shewhart. Eight in a row on one side: Western Electric handbook, 1956.
    """
    signals, length, side = [], 0, 0
    for value, low, high in zip(values, lower, upper, strict=True):
        now = int(np.sign(value - centre))
        length = length + 1 if now == side and now else 1
        side = now
        if value > high or value < low:
            signals.append("above" if value > high else "below")
        elif side and length >= run:
            signals.append("run_above" if side > 0 else "run_below")
        else:
            signals.append("")
    return signals


def _list_groups(dated: pd.DataFrame) -> Iterator[tuple[tuple[str, str, str], pd.DataFrame]]:
    for stage, rows in dated.groupby("stage", sort=True):
        yield (str(stage), "all", ""), rows
        for by in GROUPINGS[1:]:
            named = rows[rows[by] != ""]
            for group, part in named.groupby(by, sort=True):
                yield (str(stage), by, str(group)), part


def _chart(
    named: tuple[str, str, str], rows: pd.DataFrame, settings: BatchSettings
) -> pd.DataFrame:
    used = rows[rows["is_usable"]]
    weeks = used.groupby("week", sort=True).agg(
        n_photos=("photo", "size"), seen_m2=("seen_m2", "sum"), n_pits=("n_pits", "sum")
    )
    left_out = rows[~rows["is_usable"]].groupby("week").size().reindex(weeks.index, fill_value=0)
    n_pits, seen_m2 = weeks["n_pits"].to_numpy(float), weeks["seen_m2"].to_numpy(float)
    per_m2 = n_pits / seen_m2
    blank = np.full(len(weeks), math.nan)
    centre, lower, upper = (
        (float(n_pits.sum() / seen_m2.sum()) if len(weeks) else math.nan),
        blank,
        blank,
    )
    signals = [""] * len(weeks)
    if len(weeks) >= settings.chart_weeks_min:
        centre, lower, upper = find_limits(n_pits, seen_m2, sigmas=settings.chart_sigmas)
        signals = find_signals(per_m2, centre, lower, upper, run=settings.chart_run)
    stage, by, group = ([word] * len(weeks) for word in named)
    return make_table(
        TREND_COLUMNS,
        {
            "stage": stage, "by": by, "group": group, "week": weeks.index.to_list(),
            "n_photos": weeks["n_photos"].to_numpy(), "n_left_out": left_out.to_numpy(),
            "seen_m2": seen_m2, "n_pits": n_pits.astype(int), "pits_per_m2": per_m2,
            "centre": np.full(len(weeks), centre), "lower": lower, "upper": upper, "signal": signals,
        },
    )  # fmt: skip


def _name_week(day: str) -> str:
    year, week, _ = pd.Timestamp(day).isocalendar()
    return f"{year}-W{week:02d}"
