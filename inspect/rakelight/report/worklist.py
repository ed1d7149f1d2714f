"""Which pit stands on which sheet, and what is done with it.

The face is cut into areas that one printed page can show at a readable scale, counted from
the front left corner and walked to and fro, as the pits are numbered.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from rakelight.core.records import Inspection

from . import facts
from .fields import place_fields
from .words import Words

BY_HAND = ("fill", "fill_two_lifts", "repair_by_eye")
LIST_ALL_UP_TO = 60
_SLIVER_SHARE = 1 / 3  # a last area narrower than this joins its neighbour
_ROUNDING_MM = 0.5


@dataclass(frozen=True, slots=True)
class Area:
    """One part of the face for one sheet; `row` counts from the front, `number` in walking order."""

    number: int
    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float

    @property
    def bottom_mm(self) -> float:
        """Lower edge in the plan: the one nearer the front."""
        return self.top_mm + self.height_mm

    @property
    def right_mm(self) -> float:
        """Right edge."""
        return self.left_mm + self.width_mm


def divide_face(size_mm: tuple[float, float], side_mm: float) -> tuple[Area, ...]:
    """Return the areas of a face, from the front left corner, to and fro.

    Parameters
    ----------
    size_mm : (width, height) of the face, mm
    side_mm : wanted side of an area, mm; a last strip below a third of it joins its neighbour
    """
    across = _divide(size_mm[0], side_mm)
    up = _divide(size_mm[1], side_mm)
    areas: list[Area] = []
    for row, (low, high) in enumerate(pairwise(up)):
        columns = list(pairwise(across))
        for left, right in columns if row % 2 == 0 else reversed(columns):
            areas.append(Area(len(areas) + 1, left, size_mm[1] - high, right - left, high - low))
    return tuple(areas)


def choose_actions(inspection: Inspection) -> pd.Series:
    """Return for each pit (by its row) what the plan does with it.

    The plan's own choice per pit is used where it has one; otherwise the action of the pit's
    field and the size bands decide, as the settings of the record say.
    """
    pits = inspection.pits
    chosen = dict(zip(inspection.plan.pits["pit_id"], inspection.plan.pits["action"], strict=True))
    if not chosen:
        figures = inspection.plan.figures.get("pit_actions") or {}
        chosen = {int(pit_id): action for pit_id, action in figures.items()}
    derived = _derive_actions(inspection)
    actions = [chosen.get(int(p), d) for p, d in zip(pits["pit_id"], derived, strict=True)]
    is_character = pits["flags"].str.contains("character", regex=False)
    return pd.Series(np.where(is_character, "leave", actions), index=pits.index, dtype="str")


def pick_pits(inspection: Inspection, area: Area) -> pd.Index:
    """Return the rows of the pits in an area, in walking order."""
    pits, size_mm = inspection.pits, inspection.face.size_mm
    is_last_col = area.right_mm >= size_mm[0] - _ROUNDING_MM
    is_last_row = area.bottom_mm >= size_mm[1] - _ROUNDING_MM
    right = math.inf if is_last_col else area.right_mm
    bottom = math.inf if is_last_row else area.bottom_mm
    left = -math.inf if area.left_mm <= 0 else area.left_mm
    top = -math.inf if area.top_mm <= 0 else area.top_mm
    inside = (
        (pits["x_mm"] >= left)
        & (pits["x_mm"] < right)
        & (pits["y_mm"] >= top)
        & (pits["y_mm"] < bottom)
    )
    return pits[inside].sort_values("pit_id", kind="stable").index


def list_pits(actions: pd.Series, rows: pd.Index) -> pd.Index:
    """Return which pits of an area get a line: all, or those filled by hand when they are many."""
    if len(rows) <= LIST_ALL_UP_TO:
        return rows
    return rows[actions[rows].isin(BY_HAND).to_numpy()]


def list_work(inspection: Inspection, actions: pd.Series) -> dict[str, dict[str, int]]:
    """Return field -> action -> number of pits, from the plan's own list of pits."""
    fields = dict(zip(inspection.plan.pits["pit_id"], inspection.plan.pits["field"], strict=True))
    work: dict[str, dict[str, int]] = {}
    for pit_id, action in zip(inspection.pits["pit_id"], actions, strict=True):
        if pit_id in fields:
            counts = work.setdefault(str(fields[pit_id]), {})
            counts[action] = counts.get(action, 0) + 1
    return work


def say_work(field_action: str, counts: dict[str, int], words: Words) -> list[str]:
    """Return what is done in a field, one entry per action: ``coat``, ``2 lifts: 4``."""
    by_hand = [
        words.say("sheet.work_count", n=counts[action], do=words.say(f"short_action.{action}"))
        for action in BY_HAND
        if counts.get(action)
    ]
    is_whole = field_action not in BY_HAND or not by_hand
    is_bare = field_action == "leave" and by_hand
    whole = [words.say(f"short_action.{field_action}")] if is_whole and not is_bare else []
    return whole + by_hand


def touch_fields(inspection: Inspection, area: Area) -> pd.DataFrame:
    """Return the plan's fields whose middle lies in an area."""
    fields = place_fields(inspection)
    x = fields["x_mm"] + fields["width_mm"] / 2
    y = fields["y_mm"] + fields["height_mm"] / 2
    return fields[x.between(area.left_mm, area.right_mm) & y.between(area.top_mm, area.bottom_mm)]


def _divide(length_mm: float, side_mm: float) -> list[float]:
    n_whole = int(length_mm / side_mm + 1e-9)
    rest = length_mm - n_whole * side_mm
    edges = [i * side_mm for i in range(n_whole + 1)]
    if rest > _ROUNDING_MM and (n_whole == 0 or rest >= _SLIVER_SHARE * side_mm):
        edges.append(length_mm)
    edges[-1] = length_mm
    return edges


def _derive_actions(inspection: Inspection) -> list[str]:
    bands = facts.band_index(inspection.pits["diameter_mm"], facts.size_bands(inspection))
    fields = _field_actions(inspection)
    return [_derive_action(field, int(band)) for field, band in zip(fields, bands, strict=True)]


def _field_actions(inspection: Inspection) -> np.ndarray:
    pits, found = inspection.pits, np.full(len(inspection.pits), "leave", object)
    for field in inspection.plan.fields.itertuples():
        inside = pits["x_mm"].between(field.x_mm, field.x_mm + field.width_mm) & pits[
            "y_mm"
        ].between(field.y_mm, field.y_mm + field.height_mm)
        found[inside.to_numpy()] = field.action
    return found


def _derive_action(field_action: str, band: int) -> str:
    """Return what is done with a pit of a size band in a field with an action."""
    if band >= 3:
        return "repair_by_eye"
    if field_action in ("leave", "hone_test_strip"):
        return field_action
    if band == 2:
        return "fill_two_lifts"
    if field_action == "slurry_coat":
        return "slurry_coat"
    return "fill" if band == 1 else "leave"
