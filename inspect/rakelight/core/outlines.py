"""Outlines on the slab: of a zone or a box, and which places lie inside."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from .errors import SettingsError

BOX = ("x_mm", "y_mm", "width_mm", "height_mm")


def zone_outline(zone: Mapping[str, Any]) -> np.ndarray:
    """Return the outline of a zone as (corners, 2) in slab mm, from its outline or its box."""
    outline = zone.get("outline_mm")
    if outline is not None and len(outline) >= 3:
        return np.asarray(outline, float).reshape(-1, 2)
    try:
        return box_outline(*(float(zone[name]) for name in BOX))
    except (KeyError, TypeError, ValueError):
        raise SettingsError(
            f"Zone {zone.get('name', '')!r} needs outline_mm with three corners or more, "
            "or x_mm, y_mm, width_mm and height_mm."
        ) from None


def box_outline(x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> np.ndarray:
    """Return the four corners of a box in mm."""
    right, bottom = x_mm + width_mm, y_mm + height_mm
    return np.array([[x_mm, y_mm], [right, y_mm], [right, bottom], [x_mm, bottom]])


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
