"""Depths measured with a pin: a finisher's gauge beats every shadow.

A pit is named by its number on the map, or by its place on the plan in mm; a list of them may
stand in a CSV file with a depth_mm column beside pit_id, or beside x_mm and y_mm.
"""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from ..core.checks import check_number, read_text
from ..core.errors import SettingsError
from ..core.units import parse_number
from .measure import settle_depths

REACH_MM = 3.0  # a place typed in may miss the pit's lip by this much; our choice
DEEPEST_MM = 200.0
_SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class PinDepth:
    """One reading: depth in mm of the pit with a number, or of the pit at a place (x, y) in mm."""

    depth_mm: float
    pit_id: int | None = None
    at_mm: tuple[float, float] | None = None

    @property
    def name(self) -> str:
        """The pit as the person named it."""
        return (
            f"pit {self.pit_id}"
            if self.at_mm is None
            else f"{self.at_mm[0]:g},{self.at_mm[1]:g} mm"
        )


def parse_pin(text: str) -> PinDepth:
    """Return the reading written as 12=3.5 (pit number) or 410,212=3.5 (place on the plan), depths in mm."""
    where, sign, depth = text.partition("=")
    try:
        numbers = [float(part) for part in where.split(",")]
        depth_mm = parse_number(depth)
    except (ValueError, SettingsError):
        numbers, depth_mm = [], math.nan
    if not sign or len(numbers) not in (1, 2) or not all(map(math.isfinite, [*numbers, depth_mm])):
        raise SettingsError(
            f"Write a pin depth as PIT=DEPTH or X,Y=DEPTH in mm, such as 12=3.5 or 410,212=3.5, not {text!r}."
        )
    check_number(depth_mm, f"the depth in {text!r}", low=0.01, high=DEEPEST_MM)
    if len(numbers) == 2:
        return PinDepth(depth_mm, at_mm=(numbers[0], numbers[1]))
    if numbers[0] != int(numbers[0]) or numbers[0] < 1:
        raise SettingsError(f"Pits have whole numbers from 1, so {where!r} in {text!r} names none.")
    return PinDepth(depth_mm, pit_id=int(numbers[0]))


def read_pins(path: str | Path) -> tuple[PinDepth, ...]:
    """Return the readings of a CSV file with columns pit_id and depth_mm, or x_mm, y_mm and depth_mm.

    Rows without a depth are passed over, so that a copy of pits.csv with some depths filled in will do.
    """
    text = read_text(path, "the pin depths")
    separator = max(_SEPARATORS, key=text.partition("\n")[0].count)
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error:
        raise SettingsError(f"{path} cannot be read as a table; save it again as CSV.") from None
    names = set(rows[0]) if rows else set()
    if "depth_mm" not in names or not ("pit_id" in names or {"x_mm", "y_mm"} <= names):
        raise SettingsError(
            f"{path} needs the columns pit_id and depth_mm, or x_mm, y_mm and depth_mm."
        )
    pins = []
    for row in rows:
        if (row["depth_mm"] or "").strip() and row.get("depth_basis", "pin") == "pin":
            place = [str(row.get(name) or "").replace(",", ".") for name in ("x_mm", "y_mm")]
            where = row["pit_id"] if row.get("pit_id") else ",".join(place)
            pins.append(parse_pin(f"{where}={row['depth_mm']}"))
    return tuple(pins)


def apply_pins(pits: pd.DataFrame, pins: Sequence[PinDepth]) -> pd.DataFrame:
    """Return the pit table with typed-in depths, basis `pin`; the volumes follow.

    Raises
    ------
    SettingsError
        When a reading names no pit, or two name the same: a depth never lands on another pit silently.

    Errors of the answer: those of the gauge. A place picks the nearest pit whose lip lies within 3 mm.
    """
    if not pins:
        return pits
    depth_mm, basis = (
        pits["depth_mm"].to_numpy(float).copy(),
        pits["depth_basis"].to_numpy(object).copy(),
    )
    taken: dict[int, PinDepth] = {}
    for pin in pins:
        row = _find_pit(pits, pin)
        if row in taken:
            raise SettingsError(
                f"Two pin depths name the same pit: {taken[row].name} and {pin.name}."
            )
        taken[row] = pin
        depth_mm[row], basis[row] = pin.depth_mm, "pin"
    return settle_depths(pits, depth_mm, basis)


def _find_pit(pits: pd.DataFrame, pin: PinDepth) -> int:
    if pin.at_mm is None:
        rows = np.flatnonzero(pits["pit_id"].to_numpy() == pin.pit_id)
        if not len(rows):
            raise SettingsError(
                f"There is no pit {pin.pit_id} for its pin depth: the map has pits 1 to {len(pits)}."
            )
        return int(rows[0])
    gap_mm = np.hypot(pits["x_mm"] - pin.at_mm[0], pits["y_mm"] - pin.at_mm[1]).to_numpy()
    beyond_mm = gap_mm - pits["diameter_mm"].to_numpy() / 2
    if not len(pits) or beyond_mm.min() > REACH_MM:
        raise SettingsError(
            f"No pit lies at {pin.name} for its pin depth: give the pit's number, or x_mm and y_mm"
            " from pits.csv (y is measured from the top edge there, from the front on the map and sheet)."
        )
    return int(np.argmin(np.where(beyond_mm <= REACH_MM, gap_mm, np.inf)))
