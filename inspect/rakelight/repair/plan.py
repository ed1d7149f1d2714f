"""The repair plan: what to do in each field, why, and what it takes.

Nothing agreed: every pit large enough to fill is closed, by hand or by a coat over its zone,
whichever costs less, and no limit is checked. Something agreed: the least-cost choice that
keeps every test window within it. Either way it is a work list, never a verdict.
"""

import math
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..core.checks import TOML_RULES, read_text
from ..core.errors import SettingsError
from ..core.records import FaceMap, GradeReport, RepairPlan
from ..core.settings import RepairSettings
from ..grade.agreed import Agreed
from ..grade.regions import Region, list_regions
from ..grade.windows import sum_seen
from .alternatives import list_alternatives
from .amounts import plan_amounts
from .choose import Solution, close_fillable, find_least_cost
from .figures import collect_figures, find_test_strip
from .hints import list_hints
from .limits import require_single_limits, watch_limits
from .options import count_actions, read_plan_pits
from .problem import Problem, build_problem
from .steps import list_steps
from .tables import coated_m2, fields_by_action, list_fields, list_pit_actions
from .wording import read_sentences

MM2_PER_M2 = 1e6
WIDE_GAP = 0.5  # a gap above this tells nothing; our choice


def plan_repair(
    pits: pd.DataFrame,
    face: FaceMap,
    grade: GradeReport,
    *,
    zones: Sequence[dict[str, Any]] = (),
    settings: RepairSettings | None = None,
    agreed: Agreed | None = None,
    locked: Mapping[str, str] | None = None,
    rates: Mapping[str, float] | None = None,
) -> RepairPlan:
    """Return what to do in each field and with each pit, with reasons, minutes and grams.

    Parameters
    ----------
    pits : pandas.DataFrame
        Columns of `PIT_COLUMNS`, numbered in walking order (`walk_pits`). Pits flagged
        `character` are left open.
    face : FaceMap
    grade : GradeReport
        Its findings are carried into the plan's figures.
    zones : mappings with name, kind and outline_mm (or x_mm, y_mm, width_mm, height_mm)
        Outlines of kind `pour` or `part` may end a slurry coat; without any, a coat covers
        the whole face.
    agreed : Agreed, optional
        What was agreed with the client. Without it no limit is checked anywhere.
    locked : mapping, optional
        What the person fixed, see `build_problem`.
    rates : mapping, optional
        The shop's own times and money by name of `RepairSettings`, see `read_rates`.

    Returns
    -------
    RepairPlan
        No pits: every field is left, and no paste is needed.

    Errors of the answer: times, paste, closing rates and penalties are assumptions until the
    shop enters its own; volumes from one lamp are least volumes.
    Source: trade notes, proposed bands; cost model our choice.
    """
    settings = apply_rates(settings or RepairSettings(), rates or {})
    seen = sum_seen(face)
    plan_pits = read_plan_pits(pits)
    problem = build_problem(plan_pits, seen, zones=zones, settings=settings, locked=locked)
    regions = list_regions(agreed, plan_pits.arrays, seen) if agreed is not None else ()
    problem, stuck = require_single_limits(problem, regions)
    solution = choose_actions(problem, regions)
    strip = find_test_strip(problem, solution.choice)
    figures = collect_figures(problem, solution, regions, test_strip=strip, grade=grade)
    figures["alternatives"] = list_alternatives(
        problem, solution, regions, limits=figures["limits"]
    )
    figures["hints"] = [dict(hint) for hint in list_hints(plan_pits.arrays, seen)]
    return write_plan(problem, solution, figures, face_m2=seen.total_mm2 / MM2_PER_M2, stuck=stuck)


def choose_actions(problem: Problem, regions: Sequence[Region]) -> Solution:
    """Return the choice for every unit: closing all fillable pits, or meeting what was agreed.

    The plan aims a little below the limits; where that cannot be had it aims at the limits.
    """
    if not any(region.limits for region in regions):
        choice = close_fillable(problem)
        cost = problem.cost(choice)
        return Solution(choice, cost, True, math.nan, math.nan, 0, "zone by zone", 0.0)
    solution = find_least_cost(
        problem, watch_limits(regions, margin=problem.settings.plan_margin_share)
    )
    if not solution.is_met and problem.settings.plan_margin_share > 0:
        solution = find_least_cost(problem, watch_limits(regions, margin=0.0))
    return solution


def write_plan(
    problem: Problem,
    solution: Solution,
    figures: dict[str, Any],
    *,
    face_m2: float,
    stuck: Sequence[str] = (),
) -> RepairPlan:
    """Return the plan's record from a choice and its figures."""
    choice, settings = solution.choice, problem.settings
    is_agreed = figures["is_agreed"]
    fields = list_fields(problem, choice, is_agreed=is_agreed, test_strip=figures["test_strip"])
    amounts = plan_amounts(
        problem.pick(choice),
        [unit.pits for unit in problem.units],
        problem.pits,
        coated_m2=coated_m2(problem, choice),
        passes=figures["passes"],
        settings=settings,
    )
    amounts["minutes"] = figures["minutes"]
    order = list_steps(
        count_actions(problem.pick(choice)),
        fields_by_action(problem, choice),
        coated_m2=amounts["coated_m2"],
        face_m2=face_m2,
        settings=settings,
        test_strip=figures["test_strip"],
        passes=figures["passes"],
    )
    return RepairPlan(
        fields=fields,
        amounts=amounts,
        order=order,
        figures=figures,
        notes=_notes(problem, figures, stuck),
        pits=list_pit_actions(problem, choice),
    )


def apply_rates(settings: RepairSettings, rates: Mapping[str, float]) -> RepairSettings:
    """Return the settings with the shop's own times and money; an unknown name is an error."""
    return RepairSettings.from_mapping(settings.to_mapping() | dict(rates)) if rates else settings


def read_rates(path: str | Path) -> dict[str, float]:
    """Return the shop's own times and money from a TOML file of `RepairSettings` names."""
    text = read_text(path, "the shop's times and prices")
    try:
        rates = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{Path(path).name} is not valid TOML ({error}); {TOML_RULES}") from None
    apply_rates(RepairSettings(), rates)
    return rates


def _notes(problem: Problem, figures: dict[str, Any], stuck: Sequence[str]) -> tuple[str, ...]:
    words, settings = read_sentences()["note"], problem.settings
    notes = [words["test_patch"], words["work_list"]]
    if not figures["is_agreed"]:
        notes.append(words["nothing_agreed"].format(from_mm=f"{settings.hand_fill_from_mm:g}"))
    else:
        notes.append(_limit_note(figures, settings, stuck))
    if figures["coated_m2"] > 0:
        notes.append(words["coat_ends"])
    if figures["n_treated"]:
        notes.append(_pass_note(figures, settings))
    if figures["test_strip"]:
        notes.append(words["strip"].format(field=figures["test_strip"]))
    if figures["assumptions"]:
        notes.append(words["assumed_times"])
    return tuple(notes)


def _pass_note(figures: dict[str, Any], settings: RepairSettings) -> str:
    words, passes = read_sentences()["note"], figures["passes"]
    share = (1 - settings.closed_per_pass) ** passes
    note = words["open_after"].format(share=f"{share:.1%}", n_passes=passes)
    chances = figures["hold_chances"]
    if len(chances) > settings.n_passes:
        note += " " + words["more_passes"].format(
            few=settings.n_passes,
            few_chance=f"{chances[settings.n_passes - 1]:.0%}",
            passes=passes,
            chance=f"{chances[-1]:.0%}",
        )
    return note


def _limit_note(figures: dict[str, Any], settings: RepairSettings, stuck: Sequence[str]) -> str:
    words = read_sentences()["note"]
    if not figures["is_limit_expected"] or stuck:
        why = (
            f" (what was fixed in {', '.join(stuck)} leaves a pit over the limit)" if stuck else ""
        )
        return words["limit_missed"].format(why=why)
    key = "limit_met" if figures["has_margin"] else "limit_met_tight"
    note = words[key].format(margin=f"{settings.plan_margin_share:.0%}")
    if figures["gap"] > WIDE_GAP:
        note += " " + words["gap_unknown"]
    elif np.isfinite(figures["gap"]):
        note += " " + words["within_gap"].format(gap=f"{figures['gap']:.1%}")
    return note
