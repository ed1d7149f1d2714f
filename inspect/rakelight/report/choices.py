"""The last page of the work sheet: the choices behind the plan, for the desk and not for the slab.

Other plans side by side, where filling and coating cost the same, and what to ask before
the next pour. All of it is read from the plan; nothing is worked out here.
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from rakelight.core.records import Inspection
from rakelight.core.units import MM2_PER_FT2, MM2_PER_M2

from . import facts
from .units import tell_sentence
from .words import Words, clean_name, clean_sentence

_MOST_REASONS = 14
_MOST_HINTS = 4
_MOST_CAUSES = 4


def collect_choices(inspection: Inspection, words: Words, units: str) -> dict[str, Any] | None:
    """Return what the page shows, or None when the plan carries no choices."""
    figures = inspection.plan.figures
    plans = _collect_plans(figures.get("alternatives") or (), words, units)
    crossing = _collect_crossing(inspection, words, units)
    hints = [_collect_hint(hint, units) for hint in (figures.get("hints") or ())[:_MOST_HINTS]]
    reasons = collect_reasons(inspection, units)
    if not plans and crossing is None and not hints and not reasons:
        return None
    return {"plans": plans, "crossing": crossing, "hints": hints, "reasons": reasons}


def collect_reasons(inspection: Inspection, units: str = "mm") -> list[list[str]]:
    """Return [fields, reason] for every reason the plan gives, in the order of the fields."""
    reasons: dict[str, list[str]] = {}
    for field in inspection.plan.fields.itertuples():
        if field.reason and field.action != "leave":
            reason = tell_sentence(field.reason, units=units)
            reasons.setdefault(reason, []).append(clean_name(field.field))
    return [[", ".join(names), reason] for reason, names in list(reasons.items())[:_MOST_REASONS]]


def _collect_plans(
    plans: Sequence[dict[str, Any]], words: Words, units: str
) -> list[dict[str, str]]:
    """Return one row per plan; plans that differ in nothing share a row that names them all."""
    rows: dict[str, dict[str, str]] = {}
    others: dict[str, list[str]] = {}
    for plan in plans:
        own, same = clean_name(plan.get("name", "")), clean_name(plan.get("same_as", ""))
        if same in rows:
            others.setdefault(same, []).append(f"{own} ({clean_sentence(plan.get('title', ''))})")
        else:
            rows[own] = _collect_plan(plan, words, units)
    for name, same_plans in others.items():
        title = rows[name]["title"]
        rows[name]["title"] = words.say("choices.same", title=title, others=", ".join(same_plans))
    return list(rows.values())


def _collect_plan(plan: dict[str, Any], words: Words, units: str) -> dict[str, str]:
    expected = {True: "choices.holds", False: "choices.breaks"}.get(plan.get("is_limit_expected"))
    coated_m2 = _number(plan.get("coated_m2"))
    is_inch = units == "in"
    coated = coated_m2 * MM2_PER_M2 / MM2_PER_FT2 if is_inch else coated_m2
    area = words.number(coated, 1 if is_inch else 2)
    return {
        "name": clean_name(plan.get("name", "")),
        "title": clean_sentence(plan.get("title", "")),
        "minutes": words.number(_number(plan.get("minutes"))),
        "paste": words.number(_number(plan.get("paste_g"))),
        "filled": words.number(_number(plan.get("n_filled"))),
        "coated": words.say("client.area_ft2" if is_inch else "client.area_m2", area=area),
        "money": words.number(_number(plan.get("money")), 2),
        "limit": words.say(expected or "choices.no_limit"),
    }


def _collect_crossing(inspection: Inspection, words: Words, units: str) -> dict[str, Any] | None:
    crossing = inspection.plan.figures.get("crossing") or {}
    curve = [
        [_number(point.get(key)) for key in ("holes_per_m2", "fill_min_per_m2", "coat_min_per_m2")]
        for point in crossing.get("curve") or ()
    ]
    per_m2 = _number(crossing.get("holes_per_m2"))
    if len(curve) < 2 or not math.isfinite(per_m2):
        return None
    share = MM2_PER_FT2 / MM2_PER_M2 if units == "in" else 1.0
    area = words.say("heat.per_ft2" if units == "in" else "heat.per_m2")
    here = facts.count_pits(inspection).per_m2
    times = {
        "fill": words.number(_number(crossing.get("fill_min_per_pit")), 1),
        "coat": words.number(
            _number(crossing.get("coat_min_per_m2")) * share, 0 if share == 1 else 1
        ),
        "area": area,
    }
    is_assumed = bool(crossing.get("is_assumed"))
    return {
        "curve": curve,
        "at": per_m2,
        "cost": per_m2 * _number(crossing.get("fill_min_per_pit")),
        "here": here,
        "here_name": words.say(
            "choices.here", n=words.number(here * share, 0 if here * share >= 10 else 1)
        ),
        "at_name": words.number(per_m2 * share, 0 if share == 1 else 1),
        "top_name": words.number(curve[-1][0] * share, 0 if share == 1 else 1),
        "area": words.say("choices.axis", area=area),
        "axis_time": words.say("choices.axis_time", area=area),
        "line": words.say(
            "choices.crossing", n=words.number(per_m2 * share, 0 if share == 1 else 1), area=area
        ),
        "times": words.say("choices.assumed" if is_assumed else "choices.own", **times),
    }


def _collect_hint(hint: dict[str, Any], units: str) -> dict[str, str]:
    causes = [
        tell_sentence(cause.get("text", ""), units=units) for cause in hint.get("causes") or ()
    ]
    return {
        "question": tell_sentence(hint.get("question", ""), units=units),
        "causes": " · ".join(cause for cause in causes[:_MOST_CAUSES] if cause),
    }


def _number(value: Any) -> float:
    is_number = isinstance(value, (int, float, np.number)) and not isinstance(value, bool)
    return float(value) if is_number else math.nan
