"""Plans A, B and C side by side, so that the person chooses and not the program."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ..grade.regions import Region
from .choose import Solution, close_fillable, coat_everything, fill_everything, find_least_cost
from .figures import list_limit_figures, sum_choice
from .limits import watch_limits
from .problem import Problem
from .wording import read_sentences

KEPT = ("minutes", "paste_g", "money", "penalty_min", "cost", "coated_m2", "n_filled", "n_treated")


def list_alternatives(
    problem: Problem,
    solution: Solution,
    regions: Sequence[Region],
    *,
    limits: list[dict[str, Any]],
) -> list[dict[str, Any]]:
    """Return plan A (least cost), B (by hand only) and C (coat every zone), with their figures.

    `limits` holds the worst figure after each (plan A's are given, as they are known);
    `is_limit_expected` is None when nothing was agreed. B comes from the quick search, so it
    may lie a little above its own least cost; `same_as` names the plan before it where a plan is no other.
    """
    titles, before = read_sentences()["alternative"], [one["before"] for one in limits]
    least = _describe(problem, "A", titles["least_cost"], solution.choice, limits)
    plans, chosen = [least | {"same_as": ""}], {"A": solution.choice}
    others = (
        ("B", "by_hand", plan_by_hand(problem, regions)),
        ("C", "coat", coat_everything(problem)),
    )
    for name, key, choice in others:
        after = list_limit_figures(problem, choice, regions, before=before)
        same = next((n for n, other in chosen.items() if np.array_equal(choice, other)), "")
        plans.append(_describe(problem, name, titles[key], choice, after) | {"same_as": same})
        if not same:
            chosen[name] = choice
    return plans


def plan_by_hand(problem: Problem, regions: Sequence[Region]) -> np.ndarray:
    """Return the choice without any coat: least cost by the quick search, or all fillable pits."""
    no_coat = replace(
        problem,
        may_coat=np.zeros(len(problem.zones), bool),
        must_coat=np.zeros(len(problem.zones), bool),
    )
    if not any(region.limits for region in regions):
        return close_fillable(no_coat)
    for margin in (problem.settings.plan_margin_share, 0.0):
        found = find_least_cost(no_coat, watch_limits(regions, margin=margin), seconds=0)
        if found.is_met:
            return found.choice
    return fill_everything(no_coat)


def _describe(
    problem: Problem, name: str, title: str, choice: np.ndarray, limits: list[dict[str, Any]]
) -> dict[str, Any]:
    figures = sum_choice(problem, choice)
    return {
        "name": name,
        "title": title,
        **{key: figures[key] for key in KEPT},
        "limits": limits,
        "is_limit_expected": all(one["is_expected"] for one in limits) if limits else None,
    }
