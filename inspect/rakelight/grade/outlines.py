"""Which places lie inside a zone's outline."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..core.errors import SettingsError


def zone_outline(zone: Mapping[str, Any]) -> np.ndarray:
    """Return the outline of a zone as (corners, 2) in slab mm, from its outline or its box."""
    outline = zone.get("outline_mm")
    if outline is not None and len(outline) >= 3:
        return np.asarray(outline, float).reshape(-1, 2)
    try:
        left, top = float(zone["x_mm"]), float(zone["y_mm"])
        right, bottom = left + float(zone["width_mm"]), top + float(zone["height_mm"])
    except (KeyError, TypeError, ValueError):
        raise SettingsError(
            f"Zone {zone.get('name', '')!r} needs outline_mm with three corners or more, "
            "or x_mm, y_mm, width_mm and height_mm."
        ) from None
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def is_inside(outline_mm: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Return which places lie inside a closed outline (even-odd rule).

    Errors of the answer: a place exactly on the outline may fall on either side.
    """
    inside = np.zeros(np.broadcast(x_mm, y_mm).shape, bool)
    for (x1, y1), (x2, y2) in zip(outline_mm, np.roll(outline_mm, -1, axis=0), strict=True):
        if y1 == y2:
            continue
        crosses = (y1 > y_mm) != (y2 > y_mm)
        inside ^= crosses & (x_mm < x1 + (y_mm - y1) * (x2 - x1) / (y2 - y1))
    return inside
