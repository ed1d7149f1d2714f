"""The two tables: pits with their sizes, and marks that are not pits.

Everything here is in slab millimetres; the size of a pixel enters through the outlines and
nothing after this multiplies by it again.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..core.flags import flag_bit, flag_names, parse_flags
from ..core.records import (
    EVIDENCE_COLUMNS,
    MARK_COLUMNS,
    PIT_COLUMNS,
    FaceMap,
    FlatPhoto,
    Lamp,
    Scale,
    make_table,
)
from ..core.settings import MeasureSettings
from .depth import bound_depths
from .network import KINDS
from .outline import measure_outlines, trace_outlines
from .sort import NOTHING, PIT, Sorted

SURE_SHADOW_DEPTH_MIN_MM = 0.02  # shorter bounds are noise
OUTLINE_FROM_PX = 6.0  # smaller mouths show a size but no shape
OUTLINE_SD_MAX = 0.2  # relative doubt of the diameter from which the outline is called a guess; our choice
CLIPPED_LEVELS = (2, 253)  # 8-bit levels that count as pure black and pure white


@dataclass(frozen=True, slots=True)
class MeasuredPits:
    """pits : PIT_COLUMNS; outlines_mm : one (48, 2) array per row; evidence : shade and rim per row."""

    pits: pd.DataFrame
    outlines_mm: tuple[np.ndarray, ...]
    evidence: pd.DataFrame


def measure_pits(
    sorted_pits: Sorted,
    face: FaceMap,
    flat: FlatPhoto | None,
    lamp: Lamp,
    *,
    scale: Scale,
    edges_mm: Sequence[np.ndarray] = (),
    shadow_mm: np.ndarray | None = None,
    settings: MeasureSettings = MeasureSettings(),
) -> MeasuredPits:
    """Return the pit table with sizes in mm, outlines and the plain evidence for each pit.

    Parameters
    ----------
    sorted_pits : Sorted
        Only entries that are to be pits (`choose_pits`).
    face, flat, lamp, scale : records of the earlier steps.
    edges_mm : outlines (n, 2) of the slab and of its openings, where they are really known; the border of
        a map that shows less or more than the slab is no edge.
    shadow_mm : (n,) lengths of the shadows where they were read before (`depth.measure_shadows`); `flat` is
        not looked at then.
    settings : MeasureSettings

    Returns
    -------
    MeasuredPits
        `pit_id` counts from 1 in the order given; the caller renumbers in walking order.

    Errors of the answer
    --------------------
    `diameter_sd_mm` joins the outline's doubt and the scale's; two of it cover 95 of 100 made-up pits.
    Shallow round-bottomed pits, whose lip fades, are read some 5 % small. Volumes are guesses: half a sphere, or more when the least depth says so.

    Source
    ------
    Cap volume V = pi d (3 a^2 + d^2) / 6 (from memory, confirmed by integration); half a sphere as
    the default is the trade notes' upper-middle guess.
    """
    outlines = trace_outlines(sorted_pits, face.mm_per_px)
    sizes = measure_outlines(outlines)
    diameter = 2 * np.sqrt(sizes["area_mm2"] / np.pi)
    angle_deg = lamp.at_pit(sizes["x_mm"], sizes["y_mm"])[1]
    depth = _settle_depths(flat, sorted_pits, angle_deg, shadow_mm)
    places = np.column_stack([sizes["x_mm"], sizes["y_mm"]])
    near_edge = _measure_gaps(places, edges_mm) - diameter / 2 < settings.edge_margin_mm
    flags = sorted_pits.flags | _place_flags(outlines, face, diameter)
    weak = (sorted_pits.candidates.diameter_px < OUTLINE_FROM_PX) | (sorted_pits.size_sd > OUTLINE_SD_MAX)
    flags |= np.where(weak, flag_bit("outline_guess"), 0)
    flags |= np.where(near_edge, flag_bit("near_edge"), 0)
    flags |= np.where(np.isnan(depth), flag_bit("depth_unknown"), 0)
    scale_share = np.nan_to_num(scale.mm_per_px_sd / scale.mm_per_px)
    values = {
        "pit_id": np.arange(1, len(diameter) + 1),
        "x_mm": sizes["x_mm"],
        "y_mm": sizes["y_mm"],
        "diameter_mm": diameter,
        "length_mm": sizes["length_mm"],
        "width_mm": sizes["width_mm"],
        "area_mm2": sizes["area_mm2"],
        "depth_mm": depth,
        "depth_basis": np.where(np.isnan(depth), "unknown", "at_least").astype(object),
        "volume_mm3": fill_volume_mm3(diameter, np.where(depth > diameter / 2, depth, np.nan)),
        "kind": name_kinds(diameter, settings),
        "confidence": sorted_pits.confidence,
        "zone": np.full(len(diameter), "", object),
        "near_edge": near_edge,
        "flags": [flag_names(bits) for bits in flags],
        "diameter_sd_mm": diameter * np.hypot(sorted_pits.size_sd, scale_share),
    }
    shade, rim = sorted_pits.shade.astype(float), sorted_pits.rim.astype(float)
    evidence = make_table(
        EVIDENCE_COLUMNS, {"pit_id": values["pit_id"], "shade": shade, "rim": rim}
    )
    return MeasuredPits(make_table(PIT_COLUMNS, values), tuple(outlines), evidence)


def _settle_depths(
    flat: FlatPhoto | None, pits: Sorted, angle_deg: np.ndarray, shadow_mm: np.ndarray | None
) -> np.ndarray:
    """Least depths in mm, NaN where too short to be sure of."""
    if shadow_mm is None:
        depth = bound_depths(flat, pits, angle_deg)
    else:
        depth = shadow_mm * np.tan(np.radians(angle_deg))
    return np.where(depth >= SURE_SHADOW_DEPTH_MIN_MM, depth, np.nan)


def settle_depths(pits: pd.DataFrame, depth_mm: np.ndarray, basis: np.ndarray) -> pd.DataFrame:
    """Return the pit table with other depths: basis `at_least`, `lamps` or `pin` per pit, NaN for unknown.

    The volume to fill follows: of a cap of that depth when it was measured, of half a sphere or more when
    it is a least depth only.
    """
    pits = pits.copy()
    depth_mm = np.asarray(depth_mm, float)
    unknown = np.isnan(depth_mm) | (depth_mm < SURE_SHADOW_DEPTH_MIN_MM)
    pits["depth_mm"] = np.where(unknown, np.nan, depth_mm)
    named = np.where(unknown, "unknown", np.asarray(basis, object)).astype(object)
    pits["depth_basis"] = pd.Series(named, index=pits.index, dtype=pits["depth_basis"].dtype)
    diameter = pits["diameter_mm"].to_numpy(float)
    is_measured = np.isin(named, ("lamps", "pin"))
    counts = is_measured | (pits["depth_mm"].to_numpy() > diameter / 2)
    pits["volume_mm3"] = fill_volume_mm3(diameter, np.where(counts, pits["depth_mm"], np.nan))
    bit = flag_bit("depth_unknown")
    bits = np.array([parse_flags(names) for names in pits["flags"]], np.int64)
    bits = np.where(unknown, bits | bit, bits & ~bit)
    pits["flags"] = pd.Series([flag_names(one) for one in bits], index=pits.index, dtype=pits["flags"].dtype)
    return pits


def flag_uncountable(pits: pd.DataFrame, smallest_countable_mm: float) -> pd.DataFrame:
    """Return the pit table with pits flagged that are smaller than the photo can be trusted to show (NaN: none)."""
    small = (pits["diameter_mm"] < smallest_countable_mm).to_numpy()
    if not small.any():
        return pits
    bit = flag_bit("below_countable")
    flags = [
        flag_names(parse_flags(names) | bit) if is_small else names
        for names, is_small in zip(pits["flags"], small, strict=True)
    ]
    return pits.assign(flags=pd.Series(flags, index=pits.index, dtype=pits["flags"].dtype))


def list_marks(
    entries: Sorted, mm_per_px: float, *, smallest_mm: float = 0.0, confidence_min: float = 0.5
) -> pd.DataFrame:
    """Return the table of what is not a pit, so that nobody fills it (MARK_COLUMNS).

    Errors of the answer: sizes of long marks (scratches, seams) are those of the piece that was seen.
    """
    large = entries.candidates.diameter_px * mm_per_px >= smallest_mm
    is_mark = (
        (entries.kind != PIT) & (entries.kind != NOTHING) & (entries.confidence < confidence_min)
    )
    chosen = entries.take(is_mark & large)
    c = chosen.candidates
    diameter = c.diameter_px.astype(float) * mm_per_px
    return make_table(
        MARK_COLUMNS,
        {
            "mark_id": np.arange(1, len(c) + 1),
            "x_mm": (c.col.astype(float) + 0.5) * mm_per_px,
            "y_mm": (c.row.astype(float) + 0.5) * mm_per_px,
            "diameter_mm": diameter,
            "length_mm": diameter,
            "width_mm": diameter,
            "area_mm2": np.pi / 4 * diameter**2,
            "kind": [KINDS[k] for k in chosen.kind],
            "confidence": chosen.kind_confidence.astype(float),
            "flags": [flag_names(bits) for bits in chosen.flags],
        },
    )


def choose_pits(
    entries: Sorted, mm_per_px: float, *, smallest_mm: float, confidence_min: float
) -> Sorted:
    """Return the entries that count as pits: sure enough and large enough."""
    large = entries.candidates.diameter_px * mm_per_px >= smallest_mm
    return entries.take((entries.confidence >= confidence_min) & large)


def name_kinds(
    diameter_mm: np.ndarray, settings: MeasureSettings = MeasureSettings()
) -> np.ndarray:
    """Return pinhole, bug_hole or void for each diameter in mm."""
    diameter_mm = np.asarray(diameter_mm, float)
    kinds = np.where(diameter_mm < settings.pinhole_below_mm, "pinhole", "bug_hole").astype(object)
    kinds[diameter_mm > settings.void_above_mm] = "void"
    return kinds


def fill_volume_mm3(diameter_mm: np.ndarray, depth_mm: np.ndarray) -> np.ndarray:
    """Return the volume to fill in mm3: cap (or cap under a shaft) of the depth, half a sphere when NaN.

    Errors of the answer: a guess, a factor of two either way for single pits.
    Source: V = pi d (3 a^2 + d^2) / 6, from memory, confirmed by integration.
    """
    radius = np.asarray(diameter_mm, float) / 2
    depth = np.where(np.isnan(depth_mm), radius, depth_mm)
    bowl = np.minimum(depth, radius)
    shaft = np.pi * radius**2 * np.maximum(depth - radius, 0)
    return np.pi * bowl * (3 * radius**2 + bowl**2) / 6 + shaft


def _measure_gaps(places_mm: np.ndarray, edges_mm: Sequence[np.ndarray]) -> np.ndarray:
    """Return how far each place lies from the nearest edge, mm; infinite where no edge is known."""
    gaps = np.full(len(places_mm), np.inf)
    for outline in edges_mm:
        corners = np.asarray(outline, float)
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            along = end - start
            share = np.clip((places_mm - start) @ along / max(along @ along, 1e-12), 0, 1)
            away = places_mm - start - share[:, None] * along
            gaps = np.minimum(gaps, np.hypot(away[:, 0], away[:, 1]))
    return gaps


def _place_flags(outlines: np.ndarray, face: FaceMap, diameter: np.ndarray) -> np.ndarray:
    flags = np.zeros(len(outlines), np.int64)
    if not len(outlines):
        return flags
    width_mm, height_mm = face.size_mm
    x, y = outlines[..., 0], outlines[..., 1]
    outside = (x < 0) | (y < 0) | (x > width_mm) | (y > height_mm)
    flags |= np.where(outside.any(axis=1), flag_bit("cut_by_border"), 0)
    row = np.clip((y / face.mm_per_px).astype(int), 0, face.seen.shape[0] - 1)
    col = np.clip((x / face.mm_per_px).astype(int), 0, face.seen.shape[1] - 1)
    flags |= np.where((~face.seen[row, col]).any(axis=1), flag_bit("cut_by_opening"), 0)
    light = face.rgb[row, col, 1]
    clipped = (light <= CLIPPED_LEVELS[0]) | (light >= CLIPPED_LEVELS[1])
    flags |= np.where(clipped.mean(axis=1) > 0.25, flag_bit("clipped"), 0)
    return flags
