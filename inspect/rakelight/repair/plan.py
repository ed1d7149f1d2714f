"""The repair plan: what to do in each field, why, and what it takes.

Nothing agreed: every pit large enough to fill is closed, by hand or by a coat over the zone,
whichever costs less, and no limit is checked. Something agreed: the least-cost choice that
keeps every test window within it.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from ..core.records import FaceMap, GradeReport, RepairPlan
from ..core.settings import RepairSettings
from ..grade.windows import sum_seen
from .amounts import plan_amounts
from .choose import close_fillable
from .options import count_actions, crossing_holes_per_m2, read_plan_pits
from .problem import build_problem
from .tables import coated_m2, list_fields, list_pit_actions
from .wording import read_sentences


def plan_repair(
    pits: pd.DataFrame,
    face: FaceMap,
    grade: GradeReport,
    *,
    zones: Sequence[dict[str, Any]] = (),
    settings: RepairSettings | None = None,
    agreed: Any = None,
    locked: Mapping[str, str] | None = None,
    rates: Mapping[str, float] | None = None,
) -> RepairPlan:
    """Return what to do in each field, with reasons, minutes and grams."""
    settings = settings or RepairSettings()
    plan_pits = read_plan_pits(pits)
    problem = build_problem(
        plan_pits, sum_seen(face), zones=zones, settings=settings, locked=locked
    )
    choice = close_fillable(problem)
    table = list_pit_actions(problem, choice)
    picked = problem.pick(choice)
    words = read_sentences()["note"]
    return RepairPlan(
        fields=list_fields(problem, choice),
        amounts=plan_amounts(
            picked,
            [unit.pits for unit in problem.units],
            plan_pits,
            coated_m2=coated_m2(problem, choice),
            settings=settings,
        ),
        figures={
            "counts": count_actions(picked),
            "crossing": {"holes_per_m2": crossing_holes_per_m2(settings)},
            "pit_actions": dict(zip(table["pit_id"].tolist(), table["action"], strict=True)),
        },
        notes=(
            words["test_patch"],
            words["work_list"],
            words["nothing_agreed"].format(from_mm=f"{settings.hand_fill_from_mm:g}"),
            words["assumed_times"],
        ),
        pits=table,
    )
