"""The plan as tables: one row per field, one row per pit."""

import math
from typing import Any

import numpy as np
import pandas as pd

from ..core.records import PIT_ACTION_COLUMNS, PLAN_COLUMNS, make_table
from ..core.settings import RepairSettings
from .options import LEAVE, MM3_PER_CM3, PIT_ACTIONS, Option
from .problem import COATED, Problem, name_action
from .wording import ZoneTotals, explain_unit, read_sentences

MM2_PER_M2 = 1e6


def list_fields(
    problem: Problem, choice: np.ndarray, *, is_agreed: bool = False, test_strip: str = ""
) -> pd.DataFrame:
    """Return the plan's fields (PLAN_COLUMNS), from the front left, with reason, time and paste.

    With nothing agreed, the field named `test_strip` is listed as a test strip first; what
    would follow there stands in its reason.
    """
    zones = ZoneTotals.of(problem)
    rows = []
    for index, option in enumerate(problem.pick(choice)):
        row = _describe_field(problem, index, option, zones, is_agreed=is_agreed)
        if row["field"] == test_strip and not is_agreed:
            row = _as_test_strip(problem, index, row)
        rows.append(row)
    return make_table(PLAN_COLUMNS, {c.name: [row[c.name] for row in rows] for c in PLAN_COLUMNS})


def list_pit_actions(problem: Problem, choice: np.ndarray) -> pd.DataFrame:
    """Return what to do with every pit (PIT_ACTION_COLUMNS), in the order of the pit table."""
    pits = problem.pits
    actions, field = np.full(len(pits.pit_id), LEAVE), np.full(len(pits.pit_id), "", object)
    for unit, option in zip(problem.units, problem.pick(choice), strict=True):
        actions[unit.pits], field[unit.pits] = option.actions, unit.name
    grams = pits.volume_mm3 / MM3_PER_CM3 * problem.settings.paste_g_per_cm3
    return make_table(
        PIT_ACTION_COLUMNS,
        {
            "pit_id": pits.pit_id,
            "field": list(field),
            "action": [PIT_ACTIONS[action] for action in actions],
            "paste_g": np.where(actions == LEAVE, 0.0, grams),
        },
    )


def coated_m2(problem: Problem, choice: np.ndarray) -> float:
    """Return the seen area a choice coats, m2."""
    coated = np.asarray(choice) == COATED
    return sum(u.seen_mm2 for u, is_coat in zip(problem.units, coated, strict=True) if is_coat) / (
        MM2_PER_M2
    )


def fields_by_action(problem: Problem, choice: np.ndarray) -> dict[str, list[str]]:
    """Return the names of the fields in which each action falls due, front left first."""
    names: dict[str, list[str]] = {action: [] for action in PIT_ACTIONS}
    for unit, option, at in zip(problem.units, problem.pick(choice), choice, strict=True):
        for action in np.unique(option.actions):
            if at != COATED or PIT_ACTIONS[action] != "slurry_coat":
                names[PIT_ACTIONS[action]].append(unit.name)
        if at == COATED:
            names["slurry_coat"].append(unit.name)
    return names


def _describe_field(
    problem: Problem, index: int, option: Option, zones: ZoneTotals, *, is_agreed: bool
) -> dict[str, Any]:
    unit, settings = problem.units[index], problem.settings
    area_mm2 = float(problem.pits.arrays.area_mm2[unit.pits].sum())
    seen_m2 = unit.seen_mm2 / MM2_PER_M2
    has_money = settings.money_per_hour > 0
    left, top, width, height = unit.box_mm
    return {
        "field": unit.name,
        "zone": unit.zone,
        "x_mm": left,
        "y_mm": top,
        "width_mm": width,
        "height_mm": height,
        "n_pits": len(unit.pits),
        "pits_per_m2": len(unit.pits) / seen_m2 if seen_m2 > 0 else math.nan,
        "area_share": area_mm2 / unit.seen_mm2 if unit.seen_mm2 > 0 else math.nan,
        "action": name_action(option, problem.locks[index]),
        "reason": explain_unit(problem, index, option, zones, is_agreed=is_agreed),
        "minutes": option.minutes,
        "paste_g": option.paste_g,
        "cost": _money(option.minutes, option.paste_g, settings) if has_money else math.nan,
        "locked": bool(problem.locks[index]),
    }


def _as_test_strip(problem: Problem, index: int, row: dict[str, Any]) -> dict[str, Any]:
    facts = {"share": f"{problem.pits.is_shallow[problem.units[index].pits].mean():.0%}"}
    hone = read_sentences()["reason"]["hone"].format(**facts)
    minutes = row["minutes"] + problem.settings.test_strip_min
    reason = f"{hone} After that: {row['reason']}"
    return row | {"action": "hone_test_strip", "reason": reason, "minutes": minutes}


def _money(minutes: float, paste_g: float, settings: RepairSettings) -> float:
    return minutes / 60 * settings.money_per_hour + paste_g / 1000 * settings.paste_money_per_kg
