"""A map too large for memory: pits found strip by strip, the very same as in one piece.

Only the fine pictures of the scale space are large. They are made again for each strip when something
in it is looked at, with a margin around, from strips whose borders lie where the blocks of the search
and the averaging have theirs; the coarse pictures are kept for the whole map. What has been
found is a short list, and is judged as one.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..core.records import FlatPhoto, Lamp
from ..core.settings import Settings
from .depth import measure_shadows
from .find import (
    BLOCK_PX,
    Candidates,
    Octave,
    join_candidates,
    list_sizes,
    search_octaves,
    settle_candidates,
    shrink_picture,
    stack_octaves,
)
from .sort import Scene, Sorted, sort_candidates

N_FINE = 2  # octaves made again for every strip: the first is all of the map, the third a sixteenth of it
MARGIN_PX = 128  # rows around a strip, in pixels of the finest picture: four diameters of what is looked at there
BAND_PX = 1024  # rows of the map whose pits are measured at a time
DEPTH_MARGIN = 2  # shadows of the largest voids reach this many margins out of a strip

ReadRows = Callable[[int, int], np.ndarray]


@dataclass(frozen=True, slots=True)
class LargeMap:
    """A map whose relief is made row by row.

    shape_px : (rows, cols); read_rows : relief of the map's rows from, to, float32; seen : bool (rows, cols)
    or None, may lie on disk.
    """

    shape_px: tuple[int, int]
    mm_per_px: float
    read_rows: ReadRows
    seen: np.ndarray | None = None


@dataclass(frozen=True, slots=True)
class StripScene(Scene):
    """A scale space of which the fine pictures are there for one strip at a time."""

    large: LargeMap | None = None

    def visit(self, candidates: Candidates) -> Iterator[tuple[list[Octave], np.ndarray]]:
        """Yield strip after strip with the candidates in it; those of coarse octaves come first."""
        n_fine = count_fine(self.octaves)
        coarse = np.flatnonzero(candidates.octave >= n_fine)
        if len(coarse):
            yield self.octaves, coarse
        fine = np.flatnonzero(candidates.octave < n_fine)
        for top, bottom in list_strips(self.large, self.octaves, share=2):
            inside = (candidates.row[fine] >= top) & (candidates.row[fine] < bottom)
            first, last = top == 0, bottom == self.large.shape_px[0]
            inside |= first & (candidates.row[fine] < 0) | last & (candidates.row[fine] >= bottom)
            if inside.any():
                strip = build_strip(self.large, self.octaves, (top, bottom))[:n_fine]
                yield [*strip, *self.octaves[n_fine:]], fine[inside]
                del strip  # two strips at a time would be too many


def sort_large_map(large: LargeMap, lamp: Lamp, *, settings: Settings = Settings()) -> Sorted:
    """Return what `sort_candidates` says of all candidates of a map that need not fit into memory.

    Errors of the answer: those of the map in one piece; numbers differ by rounding, and where a candidate is
    moved across the border of a strip by its first look, by what lies beyond the margin.
    Source: our choice.
    """
    scene, found = search_large_map(large, lamp, settings=settings)
    return sort_candidates(scene, found, lamp, large.mm_per_px, settings=settings.sort)


def search_large_map(
    large: LargeMap, lamp: Lamp, *, settings: Settings = Settings()
) -> tuple[StripScene, Candidates]:
    """Return the scale space of a large map (coarse pictures only) and the candidates in it, strongest first."""
    sizes = list_sizes(large.shape_px, large.mm_per_px, settings=settings.find)
    bare = [
        Octave(np.empty((0, 0), np.float32), shrink, diameters_px) for shrink, diameters_px in sizes
    ]
    n_fine, found = count_fine(bare), []
    shrink = bare[n_fine].shrink
    picture = np.empty(tuple(n // shrink for n in large.shape_px), np.float32)
    seen = None if large.seen is None else np.empty(picture.shape, bool)
    for top, bottom in list_strips(large, bare):
        strip = build_strip(large, bare, (top, bottom))
        into = slice(top // shrink, min(bottom // shrink, len(picture)))
        rows = slice(
            (top - strip[0].top) // shrink, (top - strip[0].top) // shrink + into.stop - into.start
        )
        picture[into] = strip[n_fine].picture[rows]
        if seen is not None:
            seen[into] = strip[n_fine].seen[rows]
        found.append(
            search_octaves(strip, range(n_fine), lamp, large.mm_per_px, settings=settings.find)
        )
        del strip  # two strips at a time would be too many
    octaves = [*bare[:n_fine], *stack_octaves(picture, seen, sizes[n_fine:])]
    chosen = range(n_fine, len(octaves))
    found.append(search_octaves(octaves, chosen, lamp, large.mm_per_px, settings=settings.find))
    scene = StripScene(octaves, settings.find.threads, large)
    return scene, settle_candidates(join_candidates(found))


def read_shadows(large: LargeMap, pits: Sorted, *, settings: Settings = Settings()) -> np.ndarray:
    """Return the shadow's length in mm at every pit, strip by strip: see `depth.measure_shadows`."""
    sizes = list_sizes(large.shape_px, large.mm_per_px, settings=settings.find)
    octaves = [Octave(np.empty((0, 0), np.float32), *size) for size in sizes]
    margin = DEPTH_MARGIN * MARGIN_PX * octaves[0].shrink
    length_mm = np.full(len(pits.kind), np.nan)
    row = np.clip(pits.candidates.row, 0, large.shape_px[0] - 1)
    for top, bottom in list_strips(large, octaves, share=2):
        inside = np.flatnonzero((row >= top) & (row < bottom))
        if not len(inside):
            continue
        start = max(top - margin, 0)
        relief = large.read_rows(start, min(bottom + margin, large.shape_px[0]))
        chosen = pits.take(inside)
        moved = replace(
            chosen,
            candidates=replace(chosen.candidates, row=chosen.candidates.row - np.float32(start)),
        )
        length_mm[inside] = measure_shadows(
            FlatPhoto(relief, np.empty((0, 0)), 0.0, large.mm_per_px), moved
        )
    return length_mm


def list_strip_rows(large: LargeMap, pits: Sorted) -> list[np.ndarray]:
    """Return the entries (index) in bands of the map from the top down; one empty array when there are none."""
    band = (np.clip(pits.candidates.row, 0, large.shape_px[0] - 1) // BAND_PX).astype(int)
    return [np.flatnonzero(band == k) for k in np.unique(band)] or [np.empty(0, np.intp)]


def count_fine(octaves: list[Octave]) -> int:
    """Return how many octaves are made again for every strip: at least the last is kept whole."""
    return min(N_FINE, len(octaves) - 1)


def list_strips(large: LargeMap, octaves: list[Octave], *, share: int = 1) -> list[tuple[int, int]]:
    """Return the strips' rows (from, to), whose borders are borders of the search's blocks.

    For looking at what was found, halves of them do (`share` 2), which takes less memory.
    """
    n_rows = large.shape_px[0]
    height = BLOCK_PX[0] * octaves[max(count_fine(octaves) - 1, 0)].shrink // share
    return [(top, min(top + height, n_rows)) for top in range(0, n_rows, height)]


def build_strip(large: LargeMap, octaves: list[Octave], rows: tuple[int, int]) -> list[Octave]:
    """Return the fine octaves of one strip, and the first coarse one, with a margin around."""
    margin = MARGIN_PX * octaves[0].shrink
    top, bottom = max(rows[0] - margin, 0), min(rows[1] + margin, large.shape_px[0])
    seen = None if large.seen is None else np.ascontiguousarray(large.seen[top:bottom])
    sizes = [(octave.shrink, octave.diameters_px) for octave in octaves[: count_fine(octaves) + 1]]
    picture = shrink_picture(large.read_rows(top, bottom), sizes[0][0])
    return [replace(octave, top=top, core=rows) for octave in stack_octaves(picture, seen, sizes)]
