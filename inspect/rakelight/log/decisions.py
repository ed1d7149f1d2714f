"""What people decided about single pits, laid over what was measured."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from ..core.flags import flag_names, parse_flags
from ..core.records import PIT_COLUMNS, Inspection, make_table
from ..core.settings import MeasureSettings

Choice = tuple[str, int | None, float | None, float | None, float | None]
"""what, pit_id, x_mm, y_mm, diameter_mm."""


def apply_decisions(inspection: Inspection, decisions: Sequence[Choice]) -> Inspection:
    """Return the inspection with the decisions applied to its pits, in their order.

    delete takes a pit off the list, add puts one on (flag added_by_hand), resize sets its
    diameter, character flags it to be left. A decision about a pit that is not there does
    nothing. The outlines stay those of the pits that were measured.
    """
    pits = inspection.pits.copy()
    outlines = dict(zip(pits["pit_id"], inspection.outlines_mm, strict=False))
    for what, pit_id, x_mm, y_mm, diameter_mm in decisions:
        pits = _apply(pits, what, pit_id, (x_mm, y_mm, diameter_mm))
        if what in ("add", "resize"):
            outlines = {}  # no outline is better than a wrong one
    kept = tuple(outlines[i] for i in pits["pit_id"]) if outlines else ()
    return replace(inspection, pits=pits.reset_index(drop=True), outlines_mm=kept)


def _apply(pits: pd.DataFrame, what: str, pit_id: int | None, place: tuple) -> pd.DataFrame:
    this = pits["pit_id"] == pit_id
    if what == "delete":
        return pits[~this]
    if what == "add":
        return _add_pit(pits, *place)
    if what == "character" and this.any():
        return _set_flag(pits, this, "character")
    if what == "resize" and this.any() and place[2]:
        pits = _set_flag(pits, this, "added_by_hand")
        pits.loc[this, list(_sizes(place[2]))] = list(_sizes(place[2]).values())
        pits.loc[this, "kind"] = _name_kind(place[2])
    return pits


def _add_pit(pits: pd.DataFrame, x_mm: float, y_mm: float, diameter_mm: float) -> pd.DataFrame:
    number = int(pits["pit_id"].max()) + 1 if len(pits) else 1
    values = {
        "pit_id": [number], "x_mm": [x_mm], "y_mm": [y_mm], "depth_basis": ["unknown"],
        "kind": [_name_kind(diameter_mm)], "confidence": [1.0], "flags": ["added_by_hand"],
        **{name: [value] for name, value in _sizes(diameter_mm).items()},
    }  # fmt: skip
    return pd.concat([pits, make_table(PIT_COLUMNS, values)], ignore_index=True)


def _sizes(diameter_mm: float) -> dict[str, float]:
    return {
        "diameter_mm": diameter_mm,
        "length_mm": diameter_mm,
        "width_mm": diameter_mm,
        "area_mm2": np.pi / 4 * diameter_mm**2,
        "volume_mm3": np.pi / 12 * diameter_mm**3,
    }


def _name_kind(diameter_mm: float) -> str:
    limits = MeasureSettings()
    if diameter_mm < limits.pinhole_below_mm:
        return "pinhole"
    return "bug_hole" if diameter_mm <= limits.void_above_mm else "void"


def _set_flag(pits: pd.DataFrame, this: pd.Series, name: str) -> pd.DataFrame:
    pits = pits.copy()
    pits.loc[this, "flags"] = [
        flag_names(parse_flags(flags) | parse_flags(name)) for flags in pits.loc[this, "flags"]
    ]
    return pits
