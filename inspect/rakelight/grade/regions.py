"""Parts of the face that one set of agreed limits holds for, and what they measure there."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ..core.outlines import is_inside
from ..core.records import FaceMap
from ..core.settings import GradeSettings
from .agreed import Agreed, AgreedLimit, list_limits, zone_box
from .measured import Measured, PitArrays, is_in_band, name_size, read_pits
from .ranges import draw_area_shares, draw_counts, draw_largest, find_range
from .schemes import EDGE, SchemeBook, read_schemes
from .windows import (
    Positions,
    SeenMap,
    count_centres,
    mask_seen,
    pick_worst,
    share_in_windows,
    sum_open_area,
    sum_seen,
)

N_CANDIDATES = 24
UNITS = {"area_ratio": "%", "pit_rate": "pits", "largest_void": "mm"}
PER_CENT = 100.0


@dataclass(frozen=True, slots=True)
class Region:
    """One part of the face with its limits. rows : its pits' rows in the table."""

    name: str
    limits: tuple[AgreedLimit, ...]
    measured: Measured
    rows: np.ndarray
    is_character: bool = False


def list_regions(
    agreed: Agreed,
    pits: PitArrays,
    seen: SeenMap,
    *,
    smallest_countable_mm: float = math.nan,
    book: SchemeBook | None = None,
) -> tuple[Region, ...]:
    """Return the parts of the face with their limits: agreed zones first, then the rest.

    Places in no zone, and zones without terms of their own, fall under the job's.
    """
    book, settings = book or read_schemes(), GradeSettings()
    where = _zone_places(agreed, seen)
    regions = []
    for number in (*range(1, len(agreed.zones) + 1), 0):
        zone = agreed.zones[number - 1] if number else None
        terms = zone if zone is not None and zone.has_limit else agreed
        is_character = zone is not None and zone.character
        is_here = where(pits.x_mm, pits.y_mm) == number
        part = mask_seen(seen, lambda x, y, n=number: where(x, y) == n) if agreed.zones else seen
        measured = Measured(_take(pits, is_here), part, smallest_countable_mm, settings)
        limits = () if is_character else list_limits(terms, agreed, book=book)
        name = zone.name if zone is not None else ""
        regions.append(Region(name, limits, measured, np.flatnonzero(is_here), is_character))
    return tuple(region for region in regions if region.measured.seen.total_mm2 > 0)


def judge_agreed(
    agreed: Agreed,
    pits: pd.DataFrame,
    face: FaceMap,
    *,
    smallest_countable_mm: float = math.nan,
    book: SchemeBook | None = None,
) -> tuple[dict[str, Any], ...]:
    """Return what was measured against every agreed limit, one mapping per limit and zone.

    `is_met` is True when the whole range keeps the limit, False when the whole range breaks
    it, None when the photo cannot tell.

    Errors of the answer: as in `ranges`; only pits open at the surface are seen.
    """
    regions = list_regions(
        agreed,
        read_pits(pits),
        sum_seen(face),
        smallest_countable_mm=smallest_countable_mm,
        book=book,
    )
    entries: list[dict[str, Any]] = []
    for region in regions:
        if region.is_character:
            entries.append(_character_entry(region))
        entries.extend(judge_limit(region, limit) for limit in region.limits)
    return tuple(entries)


def describe_agreed(agreed: Agreed, entries: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return what was agreed and how it stands, as one mapping for the saved record and pages."""
    judged = [entry["is_met"] for entry in entries if entry["kind"] != "character"]
    is_met = False if False in judged else (None if None in judged or not judged else True)
    return {
        "smallest_mm": agreed.smallest_mm,
        "scheme": agreed.scheme,
        "class": agreed.class_name,
        "limit": "; ".join(dict.fromkeys(e["limit_text"] for e in entries if e["limit_text"])),
        "viewing_distance_mm": agreed.viewing_distance_mm,
        "sample": agreed.sample,
        "signed_on": agreed.signed_on.isoformat() if agreed.signed_on else "",
        "is_met": is_met,
        "sentence": " ".join(entry["sentence"] for entry in entries),
    }


def judge_limit(region: Region, limit: AgreedLimit) -> dict[str, Any]:
    """Return figure, range and verdict of one limit in one region."""
    value, drawn, window = _measure_limit(region, limit)
    low, high = find_range(value, drawn, region.measured.settings)
    is_met = _decide(limit, low, high)
    if is_met and not _shows_all_sizes(region, limit):
        is_met = None
    unit = UNITS[limit.kind]
    return {
        "zone": region.name,
        "kind": limit.kind,
        "limit": limit.limit,
        "limit_text": limit.text,
        "counted_mm": [limit.counted_mm[0], limit.counted_mm[1]],
        "value": value,
        "value_range": [low, high],
        "unit": unit,
        "window_mm": window,
        "is_met": is_met,
        "sentence": _say_verdict(region, limit, value, low, high, is_met),
    }


def value_of_limit(
    region: Region, limit: AgreedLimit, left: np.ndarray
) -> tuple[np.ndarray, Positions | None]:
    """Return the limit's figure in every window when `left` (0 to 1) of each pit stays open.

    Per cent, pits per window, or for a single-void rule one figure in mm (no positions).
    """
    pits, counted = region.measured.pits, _counted(region, limit)
    if limit.kind == "largest_void":
        open_mm = pits.length_mm[counted & (left > 0.5)]
        return np.array([[open_mm.max(initial=0.0)]]), None
    positions, _ = region.measured.fitting_positions(limit.window_mm)
    x_mm, y_mm, weight = pits.x_mm[counted], pits.y_mm[counted], left[counted]
    seen_mm2 = np.maximum(positions.seen_mm2, 1e-9)
    if limit.kind == "area_ratio":
        open_mm2 = sum_open_area(positions, x_mm, y_mm, pits.area_mm2[counted], weight=weight)
        return PER_CENT * open_mm2 / seen_mm2, positions
    count = count_centres(positions, x_mm, y_mm, weight=weight)
    return count * limit.window_mm[0] * limit.window_mm[1] / seen_mm2, positions


def weigh_windows(
    region: Region, limit: AgreedLimit, positions: Positions, at: Sequence[tuple[int, int]]
) -> np.ndarray:
    """Return how much each pit adds to the limit's figure in each window (windows x pits)."""
    pits, counted = region.measured.pits, _counted(region, limit)
    windows_mm = np.array([positions.window_mm(*one) for one in at]).reshape(-1, 4)
    seen_mm2 = np.array([positions.seen_mm2[one] for one in at])[:, None]
    if limit.kind == "area_ratio":
        inside = share_in_windows(
            windows_mm, pits.x_mm, pits.y_mm, pits.area_mm2, size_mm=region.measured.seen.size_mm
        )
        return PER_CENT * inside * (pits.area_mm2 * counted) / seen_mm2
    left, top, right, bottom = windows_mm.T[:, :, None]
    inside = (pits.x_mm >= left) & (pits.x_mm < right) & (pits.y_mm >= top) & (pits.y_mm < bottom)
    return inside * counted * limit.window_mm[0] * limit.window_mm[1] / seen_mm2


def _measure_limit(region: Region, limit: AgreedLimit) -> tuple[float, np.ndarray, list[float]]:
    measured = region.measured
    pits, smallest_mm = measured.pits, measured.smallest_countable_mm
    values, positions = value_of_limit(region, limit, np.ones(pits.n))
    common = {"smallest_countable_mm": smallest_mm, "settings": measured.settings}
    if positions is None:
        lengths = np.where(_counted(region, limit), pits.length_mm, 0.0)
        return float(values.max()), draw_largest(pits, lambda ratio: lengths * ratio, **common), []
    at = pick_worst(positions, values, n=N_CANDIDATES)
    band = {"counted_mm": limit.counted_mm, **common}
    window = [float(edge) for edge in positions.window_mm(*at[0])]
    if limit.kind == "area_ratio":
        windows_mm = np.array([positions.window_mm(*one) for one in at])
        inside = share_in_windows(
            windows_mm, pits.x_mm, pits.y_mm, pits.area_mm2, size_mm=measured.seen.size_mm
        )
        seen_mm2 = np.array([positions.seen_mm2[one] for one in at])
        drawn = PER_CENT * draw_area_shares(pits, inside, seen_mm2, **band)
    else:
        everything = AgreedLimit(
            limit.kind, limit.limit, (0.0, math.inf), limit.window_mm, limit.text
        )
        drawn = draw_counts(pits, weigh_windows(region, everything, positions, at), **band)
    return float(values[at[0]]), drawn, window


def _counted(region: Region, limit: AgreedLimit) -> np.ndarray:
    return is_in_band(region.measured.pits.diameter_mm, limit.counted_mm)


def _shows_all_sizes(region: Region, limit: AgreedLimit) -> bool:
    """Whether the photo can show what the limit counts; the range of an open share allows for it."""
    smallest_mm = region.measured.smallest_countable_mm
    if limit.kind == "area_ratio" and smallest_mm < limit.counted_mm[1]:
        return True
    size_mm = limit.limit if limit.kind == "largest_void" else limit.counted_mm[0]
    return bool(smallest_mm <= size_mm + EDGE)


def _decide(limit: AgreedLimit, low: float, high: float) -> bool | None:
    if limit.is_limit_allowed:
        if high <= limit.limit * (1 + EDGE) + EDGE:
            return True
        return False if low > limit.limit * (1 + EDGE) + EDGE else None
    if high < limit.limit:
        return True
    return False if low >= limit.limit else None


def _say_verdict(
    region: Region, limit: AgreedLimit, value: float, low: float, high: float, is_met: bool | None
) -> str:
    words = {
        True: "within what was agreed",
        False: "over what was agreed",
        None: "too close to what was agreed for this photo to tell",
    }
    where = f"In zone {region.name}: " if region.name else ""
    place = f" in the worst {name_size(limit.window_mm)} window"
    place = "" if limit.kind == "largest_void" else place
    unit = UNITS[limit.kind]
    return (
        f"{where}{limit.text}; measured {value:.2g} {unit}{place} (between {low:.2g} and "
        f"{high:.2g}): {words[is_met]}."
    )


def _character_entry(region: Region) -> dict[str, Any]:
    return {
        "zone": region.name,
        "kind": "character",
        "limit_text": "",
        "is_met": None,
        "sentence": f"Zone {region.name} is left as character, as agreed.",
    }


def _zone_places(agreed: Agreed, seen: SeenMap) -> Any:
    outlines = [np.array(zone_box(zone, seen.size_mm[1])) for zone in agreed.zones]

    def where(x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        number = np.zeros(np.broadcast(x_mm, y_mm).shape, int)
        for i, outline in enumerate(outlines, start=1):
            number[is_inside(outline, x_mm, y_mm) & (number == 0)] = i
        return number

    return where


def _take(pits: PitArrays, rows: np.ndarray) -> PitArrays:
    return PitArrays(
        **{name: getattr(pits, name)[rows] for name in PitArrays.__slots__ if name != "drawn"}
    )
