"""What grading works on: the pits as plain arrays and the face as placed windows."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from ..core.errors import SettingsError
from ..core.records import FaceMap
from ..core.settings import GradeSettings
from .windows import WHOLE_FACE, Positions, SeenMap, place_windows, sum_seen

NEEDED = ("x_mm", "y_mm", "diameter_mm", "length_mm", "width_mm", "area_mm2", "confidence")
FALLBACK_MM = (500.0, 500.0)


@dataclass(frozen=True, slots=True)
class PitArrays:
    """Pits as arrays of one length; unknown widths, uncertainties and depths are filled in.

    depth_mm : NaN when unknown; is_depth_least : the depth is only a least depth; drawn : draws of what
    might really be there, kept by `ranges.draw_pits` for the next scheme.
    """

    x_mm: np.ndarray
    y_mm: np.ndarray
    diameter_mm: np.ndarray
    length_mm: np.ndarray
    width_mm: np.ndarray
    area_mm2: np.ndarray
    depth_mm: np.ndarray
    is_depth_least: np.ndarray
    confidence: np.ndarray
    diameter_sd_mm: np.ndarray
    drawn: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def n(self) -> int:
        """Number of pits."""
        return len(self.x_mm)

    def is_counted(self, counted_mm: tuple[float, float] | None) -> np.ndarray:
        """Return which pits are in the band of sizes; both ends count (not stated in sources)."""
        return is_in_band(self.diameter_mm, counted_mm)


@dataclass(frozen=True, slots=True)
class Measured:
    """Pits, seen face and smallest countable size, with windows placed once per size.

    every : 3 looks at every third window position each way, for speed; 1 at all.
    """

    pits: PitArrays
    seen: SeenMap
    smallest_countable_mm: float
    settings: GradeSettings
    every: int = 1
    placed: dict[tuple[float, float], Positions] = field(default_factory=dict)

    def positions(self, size_mm: tuple[float, float]) -> Positions:
        """Return all positions of a window; placed on first use and kept."""
        if size_mm not in self.placed:
            placed = place_windows(self.seen, size_mm, settings=self.settings, every=self.every)
            if self.every > 1 and not placed.n_used:
                placed = place_windows(self.seen, size_mm, settings=self.settings)
            self.placed[size_mm] = placed
        return self.placed[size_mm]

    def fitting_positions(self, size_mm: tuple[float, float]) -> tuple[Positions, tuple[str, ...]]:
        """Return the window asked for, or the next that fits, with a sentence when it fell back.

        The way down: the size asked for, 500 x 500 mm, the whole face.
        """
        sizes = [size_mm, WHOLE_FACE]
        if min(size_mm) > min(FALLBACK_MM):
            sizes.insert(1, FALLBACK_MM)
        for size in sizes:
            positions = self.positions(size)
            if positions.n_used:
                break
        if positions.asked_mm == size_mm:
            return positions, ()
        why = (
            "does not fit on the face"
            if self.positions(size_mm).seen_mm2.size == 0
            else ("is mostly unseen everywhere")
        )
        used = "the whole face" if size == WHOLE_FACE else f"{name_size(size)}"
        return positions, (f"The {name_size(size_mm)} window {why}: {used} was used.",)


def measure_face(
    pits: pd.DataFrame, face: FaceMap, *, smallest_countable_mm: float, settings: GradeSettings
) -> Measured:
    """Return pits and face ready for grading; the inputs stay as they are."""
    seen = sum_seen(face, settings=settings)
    return Measured(read_pits(pits), seen, float(smallest_countable_mm), settings)


def read_pits(pits: pd.DataFrame) -> PitArrays:
    """Return the pit table as arrays; a missing column or place is a SettingsError."""
    missing = [name for name in NEEDED if name not in pits.columns]
    if missing:
        raise SettingsError(f"The pit table has no column {missing[0]!r}.")
    column = {name: pits[name].to_numpy(float) for name in NEEDED}
    area_mm2 = np.where(
        np.isfinite(column["area_mm2"]), column["area_mm2"], np.pi * column["diameter_mm"] ** 2 / 4
    )
    if not np.all(np.isfinite(column["x_mm"] + column["y_mm"] + area_mm2)):
        raise SettingsError("Every pit needs a place and a size: one in the table has none.")
    diameter_mm = np.where(
        np.isfinite(column["diameter_mm"]), column["diameter_mm"], np.sqrt(4 * area_mm2 / np.pi)
    )
    return PitArrays(
        x_mm=column["x_mm"],
        y_mm=column["y_mm"],
        diameter_mm=diameter_mm,
        length_mm=_filled(column["length_mm"], diameter_mm),
        width_mm=_filled(column["width_mm"], diameter_mm),
        area_mm2=area_mm2,
        confidence=np.clip(_filled(column["confidence"], 1.0), 0.0, 1.0),
        diameter_sd_mm=np.maximum(_filled(_numbers(pits, "diameter_sd_mm"), 0.0), 0.0),
        **_read_depths(pits),
    )


def is_in_band(diameter_mm: np.ndarray, counted_mm: tuple[float, float] | None) -> np.ndarray:
    """Return which diameters lie in the band, both ends included."""
    if counted_mm is None:
        return np.ones(np.shape(diameter_mm), bool)
    low_mm, high_mm = counted_mm
    return (diameter_mm >= low_mm - 1e-9) & (diameter_mm <= high_mm + 1e-9)


def name_size(size_mm: tuple[float, float]) -> str:
    """Return a window's size as people say it: whole face, 24 x 24 in, 1 x 1 ft or in mm."""
    if size_mm == WHOLE_FACE:
        return "whole face"
    if size_mm == (609.6, 609.6):
        return "24 x 24 in (610 x 610 mm)"
    if size_mm == (304.8, 304.8):
        return "1 x 1 ft (305 x 305 mm)"
    return f"{size_mm[0]:.0f} x {size_mm[1]:.0f} mm"


def _read_depths(pits: pd.DataFrame) -> dict[str, np.ndarray]:
    depth_mm = _numbers(pits, "depth_mm")
    basis = pits["depth_basis"].astype(str).to_numpy() if "depth_basis" in pits else None
    known = np.isfinite(depth_mm)
    is_least = known & (basis == "at_least") if basis is not None else known
    return {"depth_mm": depth_mm, "is_depth_least": is_least}


def _numbers(pits: pd.DataFrame, name: str) -> np.ndarray:
    if name not in pits.columns:
        return np.full(len(pits), np.nan)
    return pits[name].to_numpy(float)


def _filled(values: np.ndarray, instead: np.ndarray | float) -> np.ndarray:
    return np.where(np.isfinite(values), values, instead)
