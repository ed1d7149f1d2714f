"""The face divided into fields a person can work through, and fields into units of one zone.

Fields start at the front-left corner: row A lies at the front edge (the bottom of the plan),
numbers run from the left. A slurry coat may only end at an edge, a seam or a pour line, so a
field that such a line crosses falls into one unit per zone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..core.outlines import is_inside, zone_outline
from ..grade.windows import SeenMap

COAT_ENDS_AT = ("pour", "part", "")  # kinds of zone whose outline a coat may end at
SLIVER_SHARE = 1 / 3  # a last field narrower than this joins its neighbour; our choice
TRACE_SHARE = 0.01  # a zone's part of a field below this, without pits, is not a unit; our choice


@dataclass(frozen=True, slots=True)
class FieldGrid:
    """Fields of a face: edges in mm, x from the left, y down from the top of the plan."""

    edges_x_mm: np.ndarray
    edges_y_mm: np.ndarray

    @property
    def n_rows(self) -> int:
        """Rows of fields."""
        return len(self.edges_y_mm) - 1

    @property
    def n_cols(self) -> int:
        """Fields per row."""
        return len(self.edges_x_mm) - 1

    def locate(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the field number (row from the front times columns, plus column) per place."""
        col = np.searchsorted(self.edges_x_mm, x_mm, side="right") - 1
        row_from_top = np.searchsorted(self.edges_y_mm, y_mm, side="right") - 1
        col = np.clip(col, 0, self.n_cols - 1)
        row_from_top = np.clip(row_from_top, 0, self.n_rows - 1)
        return (self.n_rows - 1 - row_from_top) * self.n_cols + col

    def box_mm(self, number: int) -> tuple[float, float, float, float]:
        """Return left, top, width and height of a field."""
        row, col = divmod(number, self.n_cols)
        top_row = self.n_rows - 1 - row
        left, right = self.edges_x_mm[col : col + 2]
        top, bottom = self.edges_y_mm[top_row : top_row + 2]
        return float(left), float(top), float(right - left), float(bottom - top)

    def name(self, number: int) -> str:
        """Return a field's name, e.g. A1 for the front-left one."""
        row, col = divmod(number, self.n_cols)
        return f"{name_row(row)}{col + 1}"


@dataclass(frozen=True, slots=True)
class Unit:
    """One field, or the part of it that lies in one zone: the smallest thing planned for.

    number : of the field; seen_mm2 : seen area; pits : row positions in the pit table.
    """

    name: str
    number: int
    zone: str
    box_mm: tuple[float, float, float, float]
    seen_mm2: float
    pits: np.ndarray


def divide_face(size_mm: tuple[float, float], field_mm: float) -> FieldGrid:
    """Return the fields of a face of (width, height) mm, counted from the front-left corner."""
    edges_x_mm = _divide(size_mm[0], field_mm)
    edges_y_mm = size_mm[1] - _divide(size_mm[1], field_mm)[::-1]
    return FieldGrid(edges_x_mm, edges_y_mm)


def name_row(row: int) -> str:
    """Return A, B, ... Z, AA, AB, ... for rows counted from the front."""
    name = ""
    row += 1
    while row:
        row, letter = divmod(row - 1, 26)
        name = chr(ord("A") + letter) + name
    return name


def list_units(
    grid: FieldGrid,
    seen: SeenMap,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    *,
    zones: Sequence[dict[str, Any]] = (),
) -> list[Unit]:
    """Return the units of the face, field by field from the front left.

    Every field gives at least one unit, also when nothing of it is seen.
    Errors of the answer: seen area per unit to the size of the search cells (2 mm).
    """
    bounded = [zone for zone in zones if str(zone.get("kind", "")) in COAT_ENDS_AT]
    names = ["", *(str(zone.get("name", "")) for zone in bounded)]
    n_zones = len(names)
    n_fields = grid.n_rows * grid.n_cols
    pit_key = grid.locate(x_mm, y_mm) * n_zones + locate_zone(bounded, x_mm, y_mm)
    cell_x, cell_y, cell_mm2 = _cells(seen)
    cell_key = grid.locate(cell_x, cell_y) * n_zones + locate_zone(bounded, cell_x, cell_y)
    size = n_fields * n_zones
    seen_mm2 = np.bincount(cell_key.ravel(), weights=cell_mm2.ravel(), minlength=size)
    order = np.argsort(pit_key, kind="stable")
    starts = np.searchsorted(pit_key[order], np.arange(size + 1))
    units = []
    for number in range(n_fields):
        keys = _kept_zones(grid, number, n_zones, seen_mm2, starts)
        for key in keys:
            zone = names[key % n_zones]
            name = grid.name(number) + (f"-{zone}" if len(keys) > 1 and zone else "")
            pits = order[starts[key] : starts[key + 1]]
            box_mm = grid.box_mm(number)
            units.append(Unit(name, number, zone, box_mm, float(seen_mm2[key]), np.sort(pits)))
    return units


def locate_zone(zones: Sequence[dict[str, Any]], x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Return for every place the number of its zone from 1, or 0 when it lies in none."""
    where = np.zeros(np.shape(x_mm), int)
    for number, zone in enumerate(zones, start=1):
        where[is_inside(zone_outline(zone), x_mm, y_mm) & (where == 0)] = number
    return where


def _divide(length_mm: float, field_mm: float) -> np.ndarray:
    n_full = int(length_mm / field_mm + 1e-9)
    rest_mm = length_mm - n_full * field_mm
    n = n_full + (1 if rest_mm > SLIVER_SHARE * field_mm or n_full == 0 else 0)
    return np.append(np.arange(n) * field_mm, length_mm)


def _cells(seen: SeenMap) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    centre_x = (seen.nodes_x_mm[1:] + seen.nodes_x_mm[:-1]) / 2
    centre_y = (seen.nodes_y_mm[1:] + seen.nodes_y_mm[:-1]) / 2
    cell_x, cell_y = np.meshgrid(centre_x, centre_y)
    return cell_x, cell_y, np.diff(np.diff(seen.summed_mm2, axis=0), axis=1)


def _kept_zones(
    grid: FieldGrid, number: int, n_zones: int, seen_mm2: np.ndarray, starts: np.ndarray
) -> list[int]:
    keys = list(range(number * n_zones, (number + 1) * n_zones))
    _, _, width_mm, height_mm = grid.box_mm(number)
    least_mm2 = TRACE_SHARE * width_mm * height_mm
    kept = [key for key in keys if seen_mm2[key] > least_mm2 or starts[key + 1] > starts[key]]
    return kept or [max(keys, key=lambda key: (seen_mm2[key], -key))]
