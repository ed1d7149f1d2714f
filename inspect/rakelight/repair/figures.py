"""The figures behind a plan: time, paste, money, limits before and after, crossing point."""

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..core.records import GradeReport
from ..core.settings import RepairSettings
from ..core.units import MM2_PER_FT2, MM2_PER_M2
from ..grade.regions import UNITS, Region, value_of_limit
from .choose import Solution
from .holding import find_passes
from .limits import watch_limits
from .options import LEAVE, count_actions, crossing_holes_per_m2, is_by_hand
from .problem import COATED, Problem
from .tables import coated_m2, list_pit_actions

LEAST_SHALLOW = 8  # pits without a shadow before a test strip is proposed; our choice
NOT_TOLD = 0.95  # if nearly all depths are unknown the lamp's angle was, not the pits shallow
CURVE_POINTS = 21
ASSUMED = (
    "coat_min_per_m2", "fill_min_per_pit", "two_lifts_min_per_pit", "repair_min_per_void",
    "field_setup_min", "coat_setup_min", "film_mm", "pot_remainder_g", "closed_per_pass",
    "spot_penalty_min_per_pit", "tone_penalty_min_per_m2",
)  # fmt: skip


def collect_figures(
    problem: Problem,
    solution: Solution,
    regions: Sequence[Region],
    *,
    test_strip: str,
    grade: GradeReport,
) -> dict[str, Any]:
    """Return the figures of a plan as plain values; pages, exports and screens read them."""
    choice, settings = solution.choice, problem.settings
    table = list_pit_actions(problem, choice)
    limits = list_limit_figures(problem, choice, regions)
    is_agreed = bool(limits)
    watches = watch_limits(regions, margin=0.0)
    passes = {"passes": settings.n_passes, "hold_chance": math.nan, "hold_chances": []}
    if watches:
        passes = find_passes(problem, watches, choice)
    return {
        "is_agreed": is_agreed,
        **passes,
        "is_limit_expected": all(one["is_expected"] for one in limits) if is_agreed else None,
        "has_margin": all(one["has_margin"] for one in limits) if is_agreed else None,
        "limits": limits,
        "gap": solution.gap,
        "bound": solution.bound,
        "how": solution.how,
        "seconds": solution.seconds,
        "n_windows": solution.n_windows,
        **sum_choice(problem, choice),
        "counts": count_actions(problem.pick(choice)),
        "crossing": describe_crossing(settings),
        "assumptions": list_assumptions(settings),
        "test_strip": test_strip,
        "findings": [dict(one) for one in grade.findings],
        "pit_actions": dict(zip(table["pit_id"].tolist(), table["action"].tolist(), strict=True)),
        "largest_first": list_largest(problem, choice),
    }


def sum_choice(problem: Problem, choice: np.ndarray) -> dict[str, Any]:
    """Return minutes, grams, money and penalty of a choice, set-ups of coated zones included."""
    settings, picked = problem.settings, problem.pick(choice)
    n_zones = len(problem.coated_zones(choice))
    minutes = sum(option.minutes for option in picked) + n_zones * settings.coat_setup_min
    paste_g = sum(option.paste_g for option in picked)
    money = minutes / 60 * settings.money_per_hour + paste_g / 1000 * settings.paste_money_per_kg
    return {
        "minutes": float(minutes),
        "paste_g": float(paste_g),
        "money": float(money) if settings.money_per_hour > 0 else math.nan,
        "penalty_min": float(sum(option.penalty_min for option in picked)),
        "cost": float(problem.cost(choice)),
        "coated_m2": coated_m2(problem, choice),
        "coated_zones": [problem.zones[zone] for zone in problem.coated_zones(choice)],
        "n_filled": int(sum(is_by_hand(option.actions).sum() for option in picked)),
        "n_treated": int(sum((option.actions != LEAVE).sum() for option in picked)),
    }


def list_limit_figures(
    problem: Problem,
    choice: np.ndarray,
    regions: Sequence[Region],
    *,
    before: Sequence[float] | None = None,
) -> list[dict[str, Any]]:
    """Return every agreed limit with its worst figure before and as expected after the work.

    `before` saves working out the worst figures before the work again, in the same order.
    """
    left, margin = problem.left_open(choice), problem.settings.plan_margin_share
    entries = []
    for region in regions:
        for limit in region.limits:
            known = before[len(entries)] if before is not None else None
            untouched = known or _worst(region, limit, np.ones(len(region.rows)))
            after = _worst(region, limit, left[region.rows])
            aim = limit.limit * (1 - margin)
            entries.append(
                {
                    "zone": region.name,
                    "text": limit.text,
                    "unit": UNITS[limit.kind],
                    "limit": limit.limit,
                    "before": untouched,
                    "after": after,
                    "is_expected": _keeps(after, limit.limit, limit.is_limit_allowed),
                    "has_margin": limit.kind == "largest_void" or _keeps(after, aim, True),
                }
            )
    return entries


def describe_crossing(settings: RepairSettings) -> dict[str, Any]:
    """Return where coating becomes quicker than filling, and both lines to draw."""
    crossing = crossing_holes_per_m2(settings)
    holes = np.linspace(0, 2 * crossing, CURVE_POINTS)
    return {
        "holes_per_m2": crossing,
        "holes_per_ft2": crossing * MM2_PER_FT2 / MM2_PER_M2,
        "fill_min_per_pit": settings.fill_min_per_pit,
        "coat_min_per_m2": settings.coat_min_per_m2,
        "is_assumed": {"coat_min_per_m2", "fill_min_per_pit"} <= set(list_assumptions(settings)),
        "curve": [
            {
                "holes_per_m2": float(n),
                "fill_min_per_m2": float(n * settings.fill_min_per_pit),
                "coat_min_per_m2": settings.coat_min_per_m2,
            }
            for n in holes
        ],
    }


def list_assumptions(settings: RepairSettings) -> list[str]:
    """Return the names of times and quantities that still hold the tool's assumed default."""
    default = {field.name: field.default for field in dataclasses.fields(RepairSettings)}
    return [name for name in ASSUMED if getattr(settings, name) == default[name]]


def list_largest(problem: Problem, choice: np.ndarray) -> list[int]:
    """Return the numbers of all pits to be worked on, the largest first."""
    table = list_pit_actions(problem, choice)
    diameter_mm = problem.pits.arrays.diameter_mm
    worked = np.flatnonzero(table["action"].to_numpy() != "leave")
    order = worked[np.argsort(-diameter_mm[worked], kind="stable")]
    return problem.pits.pit_id[order].tolist()


def find_test_strip(problem: Problem, choice: np.ndarray) -> str:
    """Return the field to hone a test strip in, or "" when nothing asks for one.

    Asked for where most pits throw no usable shadow although the lamp was good enough for
    others: they may be so shallow that honing takes them out, or opens more.
    """
    shallow = problem.pits.is_shallow
    if not len(shallow) or shallow.mean() > NOT_TOLD:
        return ""
    best, most = "", 0
    for index, unit in enumerate(problem.units):
        n_shallow = int(shallow[unit.pits].sum())
        is_free = choice[index] != COATED and not problem.locks[index]
        is_many = n_shallow >= max(
            LEAST_SHALLOW, problem.settings.ratio_shallow_min * len(unit.pits)
        )
        if is_free and is_many and n_shallow > most:
            best, most = unit.name, n_shallow
    return best


def _worst(region: Region, limit: Any, left: np.ndarray) -> float:
    values, positions = value_of_limit(region, limit, left)
    return float(values.max() if positions is None else values[positions.is_used].max())


def _keeps(value: float, limit: float, is_limit_allowed: bool) -> bool:
    if is_limit_allowed:
        return value <= limit * (1 + 1e-6) + 1e-6
    return value < limit
