"""How the tone has changed from photo to photo. Never what it will become, and never why.

Catalogue: `make_reading` (what one report gives to the row of readings) and `fit_trend`.
Concrete changes its tone for weeks, with age and with moisture at the same time, so every
reading carries both.
"""

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from ..core.records import ColourReport
from .balance import Shoot, doubt_comparison

READING_SD = (0.5, 0.4, 0.4)
"""Standard uncertainty of one reading in L*, a*, b* from photo to photo (our choice: card and light)."""
DAYS_PER_WEEK = 7.0
COVER = 0.95


def make_reading(report: ColourReport, shoot: Shoot) -> dict[str, Any]:
    """Return one reading as plain values: age_days, moisture, L, a, b, has_grey, profile, exif.

    Errors of the answer: as the report's. Source: not needed.
    """
    return {
        "age_days": float(shoot.age_days), "moisture": shoot.moisture,
        **{name: float(report.figures["median"][name]) for name in "Lab"},
        "has_grey": report.figures["grey"] == "patch", "profile": shoot.profile,
        "exif": {"WhiteBalance": shoot.exif.get("WhiteBalance")},
    }


def fit_trend(readings: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the change of L*, a* and b* per week over the time that was photographed.

    Parameters
    ----------
    readings : from `make_reading`, in any order. Only readings with a grey reference, a colour
        profile, the white balance and the moisture of the latest one are used; the others are
        named in `left_out` with the reason.

    Returns
    -------
    Mapping: n, from_day, to_day, L, a, b (each {per_week, low, high}), is_clear, sentence and
    left_out. NaN and a sentence that says so with fewer than two usable readings.

    Errors of the answer
    --------------------
    low and high hold 95 % of chance; at least `READING_SD` per reading. A straight line: early
    days change faster than late ones.

    Source
    ------
    Weighted straight line; common practice, no source.
    """
    usable, left_out = _choose_readings(list(readings))
    days = np.array([reading["age_days"] for reading in usable])
    if len(usable) < 2 or np.ptp(days) <= 0:
        return _know_nothing(len(usable), left_out)
    tones = np.array([[reading[name] for name in "Lab"] for reading in usable])
    lines = {name: _fit_line(days, tones[:, k], READING_SD[k]) for k, name in enumerate("Lab")}
    is_clear = any(line["low"] > 0 or line["high"] < 0 for line in lines.values())
    answer = {
        "n": len(usable), "from_day": float(days.min()), "to_day": float(days.max()),
        **lines, "is_clear": is_clear, "left_out": left_out,
    }
    return answer | {"sentence": _write_sentence(answer, usable[-1]["moisture"])}


def _choose_readings(readings: list[Mapping[str, Any]]) -> tuple[list[Mapping[str, Any]], list[str]]:
    dated = [reading for reading in readings if math.isfinite(reading["age_days"])]
    left_out = ["a reading without the age of the concrete"] * (len(readings) - len(dated))
    dated.sort(key=lambda reading: reading["age_days"])
    if not dated:
        return [], left_out
    latest, usable = dated[-1], []
    for reading in dated:
        reasons = list(doubt_comparison(_as_shoot(reading), _as_shoot(latest), has_grey=reading["has_grey"]))
        if not reading["moisture"]:
            reasons.append("its moisture was not said")
        elif reading["moisture"] != latest["moisture"]:
            reasons.append(f"it was {reading['moisture']}, the latest is {latest['moisture'] or 'not said'}")
        if reasons:
            left_out.append(f"day {reading['age_days']:g}: {', '.join(dict.fromkeys(reasons))}")
        else:
            usable.append(reading)
    return usable, left_out


def _as_shoot(reading: Mapping[str, Any]) -> Shoot:
    return Shoot(exif=reading["exif"], profile=reading["profile"])


def _fit_line(days: np.ndarray, values: np.ndarray, reading_sd: float) -> dict[str, float]:
    from scipy.stats import norm  # only trends need it
    from scipy.stats import t as student

    weeks = (days - days.mean()) / DAYS_PER_WEEK
    spread = np.square(weeks).sum()
    per_week = float(weeks @ values / spread)
    rest = values - values.mean() - per_week * weeks
    reach = norm.ppf((1 + COVER) / 2) * reading_sd / math.sqrt(spread)
    n_free = len(days) - 2
    if n_free >= 2:
        # The readings may scatter more than is usual; with few of them chance may also hide it.
        scatter = math.sqrt(np.square(rest).sum() / n_free / spread)
        reach = max(reach, student.ppf((1 + COVER) / 2, n_free) * scatter)
    return {"per_week": per_week, "low": per_week - float(reach), "high": per_week + float(reach)}


def _know_nothing(n_usable: int, left_out: list[str]) -> dict[str, Any]:
    unknown = dict.fromkeys(("per_week", "low", "high"), math.nan)
    return {
        "n": n_usable, "from_day": math.nan, "to_day": math.nan,
        **{name: dict(unknown) for name in "Lab"}, "is_clear": False, "left_out": left_out,
        "sentence": (
            "No trend: it takes two photos of different days, both with the grey reference, a colour "
            "profile, the same white balance and the same moisture."
        ),
    }


def _write_sentence(answer: dict[str, Any], moisture: str) -> str:
    line, span = answer["L"], f"between day {answer['from_day']:g} and day {answer['to_day']:g}"
    size = f"{abs(line['per_week']):.1f} L* a week ({line['low']:+.1f} to {line['high']:+.1f})"
    if line["low"] > 0 or line["high"] < 0:
        words = "lighter" if line["per_week"] > 0 else "darker"
        head = f"The {moisture} face grew {words} by {size} {span}"
    elif answer["is_clear"]:
        head = f"The {moisture} face kept its lightness but changed its hue {span}"
    else:
        head = f"No clear change of the {moisture} face {span}: {size}"
    return head + "; this is what was photographed, not what will come, and not why."
