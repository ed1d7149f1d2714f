"""Which class, by which published scheme, from which window, and how sure.

Every class comes with the figure behind it, the classes its range touches (best first), a
note when it lies within ten per cent of a limit, and the mark of its source. Classes made
for walls are offered as a comparison; they are never a verdict on a top.
"""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..core.records import FaceMap, Grade, GradeReport
from ..core.settings import GradeSettings
from .largest import grade_largest
from .measured import Measured, measure_face, name_size
from .ranges import draw_area_shares, draw_counts, find_range
from .schemes import NOT_GRADED, Scheme, SchemeBook, choose_schemes, read_schemes
from .windows import (
    WHOLE_FACE,
    Positions,
    count_centres,
    describe_window,
    pick_middle,
    pick_worst,
    share_in_windows,
    sum_open_area,
)
from .wording import make_grade, name_place

N_CANDIDATES = 24  # windows that could turn out the worst once sizes are drawn; our choice
PER_CENT = 100.0


def grade_face(
    pits: pd.DataFrame,
    face: FaceMap,
    *,
    smallest_countable_mm: float,
    schemes: tuple[str, ...] | None = None,
    settings: GradeSettings | None = None,
    scheme_file: str | Path | None = None,
) -> GradeReport:
    """Return the classes of the face by each scheme, with windows over all positions.

    Parameters
    ----------
    pits : pandas.DataFrame
        Columns of `PIT_COLUMNS`; areas in mm2, places in mm.
    face : FaceMap
        Only its seen area counts: openings and uncovered area are never good face.
    smallest_countable_mm : float, mm
        Smallest size the photo can be trusted to show; NaN when unknown.
    schemes : names in schemes.toml, or None for all that are shown by default
    scheme_file : TOML file with the shop's own schemes, added to the published ones

    Returns
    -------
    GradeReport
        An empty pit table gives the best classes, with the range the unseen sizes allow.

    Errors of the answer: see `ranges`; pits count as round mouths of equal area, which
    matters only where a window's edge cuts them.
    Source: `data/schemes.toml`, with a mark per limit.
    """
    settings = settings or GradeSettings()
    book = read_schemes(scheme_file)
    chosen = choose_schemes(book, tuple(schemes) if schemes is not None else None)
    measured = measure_face(
        pits, face, smallest_countable_mm=smallest_countable_mm, settings=settings
    )
    return GradeReport(
        windows=list_windows(measured, book),
        grades=tuple(grade_scheme(name, scheme, measured, book) for name, scheme in chosen.items()),
        notes=_general_notes(pits, measured, book),
        findings=list_findings(pits, book.windows.counted_mm[1]),
    )


def grade_scheme(name: str, scheme: Scheme, measured: Measured, book: SchemeBook) -> Grade:
    """Return the class by one scheme."""
    if measured.seen.total_mm2 <= 0:
        return Grade(
            name,
            scheme.title,
            NOT_GRADED,
            (),
            math.nan,
            "",
            "",
            scheme.source,
            "read",
            notes=("The photo shows nothing of the face.",),
        )
    if scheme.kind == "area_ratio":
        return _grade_area_ratio(name, scheme, measured, book)
    if scheme.kind == "pit_rate":
        return _grade_pit_rate(name, scheme, measured, book)
    return grade_largest(name, scheme, measured, book)


def list_windows(measured: Measured, book: SchemeBook) -> tuple[dict[str, Any], ...]:
    """Return best, median and worst window of every size that fits, as plain mappings.

    Shares are of the seen area in the window (0 to 1); places are the window's top-left
    corner. A size that does not fit is listed with `n_positions` 0 and a note.
    """
    if measured.seen.total_mm2 <= 0:
        return ()
    sizes = [*book.windows.sizes_mm, WHOLE_FACE]
    return tuple(_describe_size(measured, size, book.windows.counted_mm) for size in sizes)


def list_findings(pits: pd.DataFrame, above_mm: float) -> tuple[dict[str, Any], ...]:
    """Return every pit larger than the counted band by itself, largest first."""
    large = pits[pits["diameter_mm"] > above_mm + 1e-9].sort_values(
        "diameter_mm", ascending=False, kind="stable"
    )
    return tuple(
        {
            "pit_id": int(row.pit_id),
            "x_mm": float(row.x_mm),
            "y_mm": float(row.y_mm),
            "diameter_mm": float(row.diameter_mm),
            "length_mm": float(row.length_mm),
            "text": f"Void of {row.diameter_mm:.0f} mm: above {above_mm:g} mm it is not counted "
            "in the open share but looked at by itself.",
        }
        for row in large.itertuples()
    )


def _grade_area_ratio(name: str, scheme: Scheme, measured: Measured, book: SchemeBook) -> Grade:
    positions, notes = measured.fitting_positions(scheme.window_mm)
    pits, counted = measured.pits, measured.pits.is_counted(scheme.counted_mm)
    open_mm2 = _open_area(measured, positions, counted)
    share = _shares(positions, open_mm2)
    at = pick_worst(positions, share, n=N_CANDIDATES)
    inside, seen_mm2 = _candidates(measured, positions, at)
    drawn = draw_area_shares(
        pits,
        inside,
        seen_mm2,
        counted_mm=scheme.counted_mm,
        smallest_countable_mm=measured.smallest_countable_mm,
        settings=measured.settings,
    )
    value = float(share[at[0]])
    low, high = find_range(value, drawn, measured.settings)
    n_pits = int(count_centres(positions, pits.x_mm[counted], pits.y_mm[counted])[at[0]])
    median = float(share[pick_middle(positions, share)])
    best = float(np.min(share[positions.is_used]))
    notes += (
        f"Best window {scheme.class_at(scheme.place_of(PER_CENT * best))}, middle window "
        f"{scheme.class_at(scheme.place_of(PER_CENT * median))}: where the window lies decides.",
    )
    notes += _other_column_note(scheme, value, float(open_mm2[at[0]]), positions)
    return make_grade(
        name,
        scheme,
        measured,
        book,
        value=PER_CENT * value,
        value_range=(PER_CENT * low, PER_CENT * high),
        unit="%",
        window=describe_window(positions, at[0], share=value, n=n_pits),
        notes=notes,
        what=f"open area of pits {scheme.counted_mm[0]:g} to {scheme.counted_mm[1]:g} mm "
        f"{name_place(positions.asked_mm)}",
    )


def _grade_pit_rate(name: str, scheme: Scheme, measured: Measured, book: SchemeBook) -> Grade:
    positions, notes = measured.fitting_positions(scheme.window_mm)
    pits = measured.pits
    smallest_mm = measured.smallest_countable_mm if measured.smallest_countable_mm > 0 else 0.0
    band_mm = scheme.counted_mm or (smallest_mm, math.inf)
    counted = pits.is_counted(band_mm)
    per_window = scheme.window_mm[0] * scheme.window_mm[1] / np.maximum(positions.seen_mm2, 1e-9)
    rate = count_centres(positions, pits.x_mm[counted], pits.y_mm[counted]) * per_window
    at = pick_worst(positions, rate, n=N_CANDIDATES)
    windows_mm = np.array([positions.window_mm(*one) for one in at])
    inside = _centres_inside(windows_mm, pits) * np.array([per_window[one] for one in at])[:, None]
    drawn = draw_counts(
        pits,
        inside,
        counted_mm=band_mm,
        smallest_countable_mm=measured.smallest_countable_mm,
        settings=measured.settings,
    )
    mean = float(
        counted.sum() * scheme.window_mm[0] * scheme.window_mm[1] / measured.seen.total_mm2
    )
    notes += (f"Mean over the face: {mean:.1f} in the same area.",)
    value = round(float(rate[at[0]]), 6)  # whole counts stay whole where all of it is seen
    n_pits = round(value / per_window[at[0]])
    share = float(_shares(positions, _open_area(measured, positions, counted))[at[0]])
    return make_grade(
        name,
        scheme,
        measured,
        book,
        value=value,
        value_range=find_range(value, drawn, measured.settings),
        unit="pits",
        window=describe_window(positions, at[0], share=share, n=n_pits),
        notes=notes,
        what=f"pits from {band_mm[0]:.2g} mm up {name_place(positions.asked_mm)}",
    )


def _other_column_note(
    scheme: Scheme, share: float, open_mm2: float, positions: Positions
) -> tuple[str, ...]:
    """OeNORM prints per cent and cm2 per 2500 cm2, and its two columns differ by rounding."""
    with_column = [one for one in scheme.classes if one.also_mm2 is not None]
    if not with_column or positions.asked_mm != scheme.window_mm:
        return ()
    scaled_mm2 = share * scheme.window_mm[0] * scheme.window_mm[1]
    by_area = next((one.name for one in with_column if scaled_mm2 <= one.also_mm2), "none")
    by_share = scheme.class_at(scheme.place_of(PER_CENT * share))
    if by_area == by_share:
        return ()
    return (
        f"By the standard's other column ({scaled_mm2 / 100:.1f} cm2 of open area) the class is "
        f"{by_area}: its two columns differ by rounding; per cent is used here.",
    )


def _open_area(measured: Measured, positions: Positions, counted: np.ndarray) -> np.ndarray:
    pits = measured.pits
    return sum_open_area(positions, pits.x_mm[counted], pits.y_mm[counted], pits.area_mm2[counted])


def _shares(positions: Positions, open_mm2: np.ndarray) -> np.ndarray:
    return open_mm2 / np.maximum(positions.seen_mm2, 1e-9)


def _candidates(
    measured: Measured, positions: Positions, at: list[tuple[int, int]]
) -> tuple[np.ndarray, np.ndarray]:
    pits = measured.pits
    windows_mm = np.array([positions.window_mm(*one) for one in at])
    inside = share_in_windows(
        windows_mm, pits.x_mm, pits.y_mm, pits.area_mm2, size_mm=measured.seen.size_mm
    )
    return inside, np.array([positions.seen_mm2[one] for one in at])


def _centres_inside(windows_mm: np.ndarray, pits: Any) -> np.ndarray:
    left, top, right, bottom = windows_mm.T[:, :, None]
    in_x = (pits.x_mm >= left) & (pits.x_mm < right)
    return (in_x & (pits.y_mm >= top) & (pits.y_mm < bottom)).astype(float)


def _describe_size(
    measured: Measured, size_mm: tuple[float, float], counted_mm: tuple[float, float]
) -> dict[str, Any]:
    positions = measured.positions(size_mm)
    entry: dict[str, Any] = {
        "name": name_size(size_mm),
        "size_mm": list(positions.size_mm),
        "counted_mm": list(counted_mm),
        "n_positions": positions.n_used,
        "n_left_out": int(positions.is_used.size - positions.n_used),
        "note": "",
    }
    if not positions.n_used:
        why = "is mostly unseen everywhere" if positions.seen_mm2.size else "does not fit"
        return entry | {"note": f"The {name_size(size_mm)} window {why} on this face."}
    if entry["n_left_out"]:
        entry["note"] = f"{entry['n_left_out']} positions that are mostly unseen were left out."
    counted = measured.pits.is_counted(counted_mm)
    share = _shares(positions, _open_area(measured, positions, counted))
    shown = np.where(positions.is_used, share, math.inf)
    best = np.unravel_index(int(np.argmin(shown)), share.shape)
    places = {
        "min": (int(best[0]), int(best[1])),
        "median": pick_middle(positions, share),
        "max": pick_worst(positions, share, n=1)[0],
    }
    count = count_centres(positions, measured.pits.x_mm[counted], measured.pits.y_mm[counted])
    for name, at in places.items():
        left_mm, top_mm, _, _ = positions.window_mm(*at)
        entry[name] = float(share[at])
        entry[f"where_{name}_mm"] = [left_mm, top_mm]
        entry[f"n_pits_{name}"] = int(count[at])
    entry["x_mm"], entry["y_mm"] = entry["where_max_mm"]
    return entry


def _general_notes(pits: pd.DataFrame, measured: Measured, book: SchemeBook) -> tuple[str, ...]:
    notes = tuple(book.words[key] for key in ("comparison", "raking", "work_list"))
    smallest_mm = measured.smallest_countable_mm
    if math.isfinite(smallest_mm):
        notes += (
            f"Only pits open at the surface are seen, and only from {smallest_mm:.1f} mm up.",
        )
    n_edge = int(pits["near_edge"].sum()) if "near_edge" in pits.columns else 0
    if n_edge:
        notes += (book.words["edge"].format(n=n_edge),)
    return notes
