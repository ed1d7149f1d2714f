"""The plan's fields as they are drawn: a field that a pour line cuts becomes one box per zone."""

from typing import Any

import numpy as np
import pandas as pd

from rakelight.core import outlines
from rakelight.core.outlines import BOX
from rakelight.core.records import Inspection

_BOX = list(BOX)
_LEAST_MM = 1.0


def place_fields(inspection: Inspection) -> pd.DataFrame:
    """Return the plan's fields with boxes that do not lie on each other, mm.

    The plan gives every part of a divided field the whole field's box; here each part is cut
    to the box around its zone. Parts whose zones are not known share the field side by side.

    Errors of the answer: a slanting pour line is drawn as the box around its zone.
    """
    fields = inspection.plan.fields.copy()
    zones = {str(zone.get("name", "")): zone_outline(zone) for zone in inspection.zones}
    shared = fields.duplicated(_BOX, keep=False)
    for _, parts in fields[shared].groupby(_BOX, sort=False):
        for place, row in enumerate(parts.index):
            box = parts.loc[row, _BOX].to_numpy(float)
            cut = _cut_box(box, zones.get(str(parts.loc[row, "zone"])))
            fields.loc[row, _BOX] = _share_box(box, place, len(parts)) if cut is None else cut
    return fields


def zone_outline(zone: dict[str, Any]) -> np.ndarray | None:
    """Return a zone's (N, 2) outline in mm, from its outline or its box; None when it has neither."""
    if zone.get("outline_mm") is None and any(zone.get(name) is None for name in BOX):
        return None
    return outlines.zone_outline(zone)


def _cut_box(box: np.ndarray, outline: np.ndarray | None) -> np.ndarray | None:
    if outline is None:
        return None
    low = np.maximum(box[:2], outline.min(axis=0))
    high = np.minimum(box[:2] + box[2:], outline.max(axis=0))
    return np.r_[low, high - low] if (high - low > _LEAST_MM).all() else None


def _share_box(box: np.ndarray, place: int, n: int) -> np.ndarray:
    return np.array([box[0] + box[2] * place / n, box[1], box[2] / n, box[3]])
