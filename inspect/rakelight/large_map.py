"""A joined map too large for memory, read from disk strip by strip.

The numbers are those of the map in one piece (`pits.strips`); what is in memory at a time is one strip, the
coarse part of the scale space and the list of what was found.
"""

import numpy as np
import pandas as pd

from .core.records import FaceMap, Lamp, Scale
from .core.settings import Settings
from .light.background import find_background, flatten_rows
from .pits.measure import MeasuredPits, choose_pits, list_marks, measure_pits
from .pits.strips import LargeMap, list_strip_rows, read_shadows, sort_large_map
from .scale.mosaic import let_go


def read_large_map(
    face: FaceMap,
    lamp: Lamp,
    scale: Scale,
    *,
    edges_mm: tuple[np.ndarray, ...] = (),
    settings: Settings = Settings(),
) -> tuple[MeasuredPits, pd.DataFrame]:
    """Return the pits and the marks of a joined map that may lie on disk, sizes in mm.

    Parameters
    ----------
    face : FaceMap
        `rgb` and `seen` may be memory-mapped files; they are read in strips and not changed.
    lamp : Lamp
        As said or settled; it holds for all of the map.
    scale : Scale
        Of the map.
    edges_mm : outlines of the slab and its openings where they are known
    settings : Settings

    Returns
    -------
    MeasuredPits, pandas.DataFrame
        As of `measure_pits` and `list_marks`; empty tables when nothing was found.

    Errors of the answer
    --------------------
    The same as in one piece. Whether the lamp's side is right, and whether the photos were good enough, is
    asked of the photos the map was joined from, not of the map.

    Source
    ------
    Our choice.
    """
    background = find_background(
        face, settings=settings.light, let_go=lambda: let_go(face.rgb, face.seen)
    )
    is_all_seen = bool(face.seen.all())
    let_go(face.rgb, face.seen)

    def read_rows(top: int, bottom: int) -> np.ndarray:
        relief = flatten_rows(face, background, (top, bottom), threads=settings.find.threads)
        let_go(face.rgb, face.seen)
        return relief

    large = LargeMap(face.seen.shape, face.mm_per_px, read_rows, None if is_all_seen else face.seen)
    entries = sort_large_map(large, lamp, settings=settings)
    smallest_mm = settings.find.smallest_mm
    chosen = choose_pits(
        entries,
        face.mm_per_px,
        smallest_mm=smallest_mm,
        confidence_min=settings.sort.confidence_min,
    )
    shadow_mm = read_shadows(large, chosen, settings=settings)
    parts = []
    for index in list_strip_rows(large, chosen):
        parts.append(
            measure_pits(
                chosen.take(index), face, None, lamp, scale=scale, edges_mm=edges_mm,
                shadow_mm=shadow_mm[index], settings=settings.measure,
            )
        )  # fmt: skip
        let_go(face.rgb, face.seen)
    return join_measured(parts), list_marks(entries, face.mm_per_px, smallest_mm=smallest_mm)


def join_measured(parts: list[MeasuredPits]) -> MeasuredPits:
    """Return the pits of all parts as one table, numbered from 1."""
    pits = pd.concat([part.pits for part in parts], ignore_index=True)
    evidence = pd.concat([part.evidence for part in parts], ignore_index=True)
    pits["pit_id"] = evidence["pit_id"] = np.arange(1, len(pits) + 1)
    return MeasuredPits(
        pits, tuple(outline for part in parts for outline in part.outlines_mm), evidence
    )
