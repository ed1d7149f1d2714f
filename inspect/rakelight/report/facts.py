"""What the records say, in the few numbers that every picture and page repeats.

Nothing is measured here: pits are counted, names are put together, and a number the
record does not hold stays NaN.
"""

import math
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np

from rakelight.core.clock import read_clock
from rakelight.core.flags import flag_names, join_flags
from rakelight.core.records import Inspection, Lamp
from rakelight.core.settings import FindSettings, RepairSettings
from rakelight.core.tables import countable
from rakelight.core.units import per_ft2, per_m2

from .words import Words, clean_name

_SIDES = (
    "top", "top_right", "right", "bottom_right", "bottom", "bottom_left", "left", "top_left",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SizeBand:
    """Pits from `low_mm` up to, not including, `high_mm` (infinite for the last band)."""

    low_mm: float
    high_mm: float

    def describe(self, words: Words, units: str = "mm") -> str:
        """Return the band in words: ``2 to 6 mm``."""
        low, high = (words.size(side, units) for side in (self.low_mm, self.high_mm))
        if self.low_mm == 0:
            return words.say("band.below", high=high)
        if math.isinf(self.high_mm):
            return words.say("band.above", low=low)
        return words.say("band.between", low=low.removesuffix(" mm"), high=high)

    def short(self, words: Words, units: str = "mm") -> str:
        """Return the band without its unit, for a narrow column: ``2–6``."""
        low, high = (words.size(side, units) for side in (self.low_mm, self.high_mm))
        low, high = (side.removesuffix(" mm").removesuffix('"') for side in (low, high))
        if units == "in":
            low, high = low.removeprefix("0"), high.removeprefix("0")
        if self.low_mm == 0:
            return f"< {high}"
        return f"> {low}" if math.isinf(self.high_mm) else f"{low}–{high}"


def name_doubt(inspection: Inspection) -> str:
    """Return how far the record may be trusted: good, doubtful, lamp_side or retake.

    `lamp_side` and `retake`: measured, but nothing may be filled by it yet; pictures and pages say so first.
    """
    if inspection.quality.verdict == "retake":
        return "retake"
    return "lamp_side" if inspection.lamp.is_side_contradicted else inspection.quality.verdict


@dataclass(frozen=True, slots=True)
class PitCount:
    """How many pits, how sure, per area; pits below the smallest countable size stand apart."""

    n_pits: int
    n_pits_sd: float
    n_below_countable: int
    n_by_band: tuple[int, ...]
    per_m2: float
    per_ft2: float
    area_share: float


def size_bands(inspection: Inspection) -> tuple[SizeBand, ...]:
    """Return the size bands that decide what is done by hand, from the saved settings."""
    repair = inspection.settings.get("repair", {})
    default = RepairSettings()
    names = ("hand_fill_from_mm", "two_lifts_from_mm", "repair_from_mm")
    edges = [0.0, *(float(repair.get(name, getattr(default, name))) for name in names), math.inf]
    return tuple(SizeBand(low, high) for low, high in pairwise(edges))


def band_index(diameter_mm: Any, bands: tuple[SizeBand, ...]) -> np.ndarray:
    """Return for each diameter the place of its band; only the last band excludes its lower end."""
    edges = [band.low_mm for band in bands[1:]]
    edges[-1] = np.nextafter(edges[-1], math.inf)
    return np.searchsorted(edges, np.asarray(diameter_mm, float), side="right")


def smallest_counted_mm(inspection: Inspection) -> float:
    """Return the size in mm from which pits count: what was looked for and could be seen."""
    asked = inspection.settings.get("find", {}).get("smallest_mm", FindSettings().smallest_mm)
    sizes = [float(asked), inspection.quality.smallest_countable_mm]
    known = [size for size in sizes if math.isfinite(size)]
    return max(known) if math.isfinite(inspection.quality.smallest_countable_mm) else math.nan


def count_pits(inspection: Inspection) -> PitCount:
    """Return the count, its spread and the shares.

    Errors of the answer: `n_pits_sd` follows from the confidences of the listed pits alone;
    pits that were never found are not in it. Source: sum of independent chances, our choice.
    """
    pits, bands = inspection.pits, size_bands(inspection)
    counted = pits[countable(pits)]
    chance = counted["confidence"].fillna(1.0).to_numpy()
    by_band = np.bincount(band_index(counted["diameter_mm"], bands), minlength=len(bands))
    seen_mm2 = inspection.face.seen_mm2
    return PitCount(
        n_pits=len(counted),
        n_pits_sd=float(np.sqrt(np.sum(chance * (1 - chance)))),
        n_below_countable=len(pits) - len(counted),
        n_by_band=tuple(int(n) for n in by_band),
        per_m2=per_m2(len(counted), seen_mm2),
        per_ft2=per_ft2(len(counted), seen_mm2),
        area_share=float(counted["area_mm2"].sum()) / seen_mm2 if seen_mm2 > 0 else math.nan,
    )


def slab_size_mm(inspection: Inspection) -> tuple[float, float]:
    """Return width and height of the face in mm: as given, when the map agrees to two pixels.

    A record whose picture was not kept has only what was given.
    """
    given, mapped = inspection.scale.size_mm, inspection.face.size_mm
    if not inspection.face.rgb.size:
        return float(given[0]), float(given[1])
    close = 2 * inspection.face.mm_per_px
    agrees = all(abs(g - m) <= close for g, m in zip(given, mapped, strict=True))
    return (float(given[0]), float(given[1])) if agrees else mapped


def seen_share(inspection: Inspection) -> float:
    """Return the share of the face that the photo shows, NaN when the picture was not kept."""
    seen = inspection.face.seen
    return float(seen.mean()) if seen.size else math.nan


def describe_lamp(lamp: Lamp, size_mm: tuple[float, float], words: Words) -> str:
    """Return the lamp's side in words, as seen standing at the front."""
    from_deg, angle_deg = lamp_at_centre(lamp, size_mm)
    if not math.isfinite(from_deg):
        return words.say("lamp.unknown")
    side = words.say("lamp." + _SIDES[round(from_deg / 45) % 8])
    if not math.isfinite(angle_deg):
        return words.say("lamp.from", side=side)
    return words.say("lamp.from_angle", side=side, angle=words.number(angle_deg))


def lamp_at_centre(lamp: Lamp, size_mm: tuple[float, float]) -> tuple[float, float]:
    """Return (from_deg, angle_deg) of the lamp as seen from the middle of the face."""
    from_deg, angle_deg = lamp.at_pit(np.array(size_mm[0] / 2), np.array(size_mm[1] / 2))
    return float(from_deg), float(angle_deg)


def slab_title(inspection: Inspection, words: Words) -> str:
    """Return the slab's name and its job, or a plain word when neither was given."""
    job = inspection.job
    names = [clean_name(job.get(key, ""), longest=60) for key in ("slab", "job")]
    return " · ".join(name for name in names if name) or words.say("map.untitled")


def photo_time(inspection: Inspection) -> datetime | None:
    """Return when the first photo was taken, or None when the record does not say."""
    return read_clock(inspection.photos)


def photo_day(inspection: Inspection) -> str:
    """Return the day of the photo as 2026-03-14, or no text when the record does not say."""
    time = photo_time(inspection)
    return time.date().isoformat() if time else ""


def flag_words(flags: int | str) -> str:
    """Return flag names joined by a space, from bits or from names."""
    return flag_names(flags if isinstance(flags, int) else join_flags(flags.split()))
