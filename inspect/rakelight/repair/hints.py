"""What to ask before the next pour: patterns of pits, with published causes, as questions.

A pattern is named only when it stands out of the crowding that pits show anyway. A hint is
a question; why a slab has pits cannot be seen in a photo.
"""

import math
from typing import Any

import numpy as np

from ..grade.measured import PitArrays
from ..grade.windows import SeenMap
from .wording import read_sentences

LEAST_PITS = 30  # fewer say nothing about a pattern; our choice
CELL_MM = 100.0  # cells in which the crowding of pits is judged; our choice
EDGE_MM = 50.0  # strip along an edge; our choice
CORNER_MM = 300.0
CHANCE = 0.001  # a pattern must be rarer than this by chance; nine places are looked at
LEAST_RATIO = {"end": 1.5, "edge": 2.0, "corner": 2.5}
PATCHES_FROM = 3.0  # variance over mean of the cell counts from which pits are called patchy
EVEN_BELOW = 1.5


def list_hints(pits: PitArrays, seen: SeenMap) -> tuple[dict[str, Any], ...]:
    """Return questions for the next pour: pattern, where, question, causes and evidence.

    Errors of the answer: patterns are tested against counts per 100 mm cell, with the
    crowding of pits taken into account; a real cause may leave no pattern, and a pattern may
    have another cause.
    Source: causes from the pages named with each; the tests are our choice.
    """
    if pits.n < LEAST_PITS or seen.total_mm2 <= 0:
        return ()
    cells = _Cells(pits, seen)
    found = [*_find_ends(cells), *_find_edges(pits, seen, cells), *_find_corners(cells)]
    if not found:
        found = _find_spread(cells)
    return tuple(_say_hint(*one) for one in found)


class _Cells:
    """Counts and seen area in cells of about 100 mm, with their centres and crowding."""

    def __init__(self, pits: PitArrays, seen: SeenMap) -> None:
        width, height = seen.size_mm
        self.size_mm = (width, height)
        edges_x = np.linspace(0, width, max(2, round(width / CELL_MM)) + 1)
        edges_y = np.linspace(0, height, max(2, round(height / CELL_MM)) + 1)
        self.count = np.histogram2d(pits.y_mm, pits.x_mm, bins=(edges_y, edges_x))[0]
        col = np.searchsorted(seen.nodes_x_mm, edges_x - 1e-6)
        row = np.searchsorted(seen.nodes_y_mm, edges_y - 1e-6)
        col, row = (
            np.minimum(i, n - 1)
            for i, n in zip((col, row), seen.summed_mm2.shape[::-1], strict=True)
        )
        self.seen_mm2 = np.diff(np.diff(seen.summed_mm2[np.ix_(row, col)], axis=0), axis=1)
        self.x_mm, self.y_mm = np.meshgrid(
            (edges_x[1:] + edges_x[:-1]) / 2, (edges_y[1:] + edges_y[:-1]) / 2
        )

    def crowding(self, part: np.ndarray) -> float:
        """Return variance over mean of the counts in a part, at least 1 (1 = by chance)."""
        used = part & (self.seen_mm2 > 0)
        if used.sum() < 3:
            return 1.0
        expected = self.seen_mm2[used] * self.count[used].sum() / self.seen_mm2[used].sum()
        spread = np.square(self.count[used] - expected) / np.maximum(expected, 1e-9)
        return max(1.0, float(spread.sum() / (used.sum() - 1)))

    def compare(self, part: np.ndarray, other: np.ndarray) -> tuple[float, float]:
        """Return density of a part over that of another, and the chance of so high a ratio."""
        return compare_density(
            (self.count[part].sum(), self.seen_mm2[part].sum()),
            (self.count[other].sum(), self.seen_mm2[other].sum()),
            crowding=max(self.crowding(part), self.crowding(other)),
        )


def compare_density(
    part: tuple[float, float], other: tuple[float, float], *, crowding: float = 1.0
) -> tuple[float, float]:
    """Return the ratio of two densities (count, area) and the chance that it is that high.

    Source: normal law of the log of a ratio of counts, widened by the crowding; textbook.
    """
    (n_part, area_part), (n_other, area_other) = part, other
    if min(area_part, area_other) <= 0 or n_part == 0:
        return 0.0, 1.0
    ratio = (n_part / area_part) / ((n_other + 0.5) / area_other)
    sd = math.sqrt(crowding * (1 / n_part + 1 / (n_other + 0.5)))
    return ratio, 0.5 * math.erfc(math.log(ratio) / sd / math.sqrt(2))


def _find_ends(cells: _Cells) -> list[tuple[str, str, float]]:
    width, height = cells.size_mm
    thirds = {
        "left": (cells.x_mm < width / 3, cells.x_mm > 2 * width / 3),
        "back": (cells.y_mm < height / 3, cells.y_mm > 2 * height / 3),
    }
    opposite = {"left": "right", "back": "front"}
    found = []
    for name, (low, high) in thirds.items():
        for where, part, other in ((name, low, high), (opposite[name], high, low)):
            ratio, chance = cells.compare(part, other)
            if ratio >= LEAST_RATIO["end"] and chance < CHANCE:
                found.append(("end", where, ratio))
    return found


def _find_edges(pits: PitArrays, seen: SeenMap, cells: _Cells) -> list[tuple[str, str, float]]:
    width, height = cells.size_mm
    if min(width, height) < 4 * EDGE_MM:
        return []
    distance = {
        "left": pits.x_mm,
        "right": width - pits.x_mm,
        "back": pits.y_mm,
        "front": height - pits.y_mm,
    }
    strip_mm2 = {"left": height, "right": height, "back": width, "front": width}
    nearest = np.minimum.reduce(list(distance.values()))
    inside = (float((nearest >= EDGE_MM).sum()), (width - 2 * EDGE_MM) * (height - 2 * EDGE_MM))
    seen_share = seen.total_mm2 / (width * height)
    crowding = cells.crowding(np.ones(cells.count.shape, bool))
    found = []
    for where, from_edge in distance.items():
        part = (float((from_edge < EDGE_MM).sum()), strip_mm2[where] * EDGE_MM * seen_share)
        ratio, chance = compare_density(
            part, (inside[0], inside[1] * seen_share), crowding=min(crowding, 3.0)
        )
        if ratio >= LEAST_RATIO["edge"] and chance < CHANCE:
            found.append(("edge", where, ratio))
    return found


def _find_corners(cells: _Cells) -> list[tuple[str, str, float]]:
    width, height = cells.size_mm
    reach = min(CORNER_MM, width / 3, height / 3)
    near_x = {"left": cells.x_mm < reach, "right": cells.x_mm > width - reach}
    near_y = {"back": cells.y_mm < reach, "front": cells.y_mm > height - reach}
    found = []
    for y_name, in_y in near_y.items():
        for x_name, in_x in near_x.items():
            part = in_x & in_y
            ratio, chance = cells.compare(part, ~part)
            if ratio >= LEAST_RATIO["corner"] and chance < CHANCE:
                found.append(("corner", f"{y_name} {x_name}", ratio))
    return found


def _find_spread(cells: _Cells) -> list[tuple[str, str, float]]:
    crowding = cells.crowding(np.ones(cells.count.shape, bool))
    if crowding >= PATCHES_FROM:
        return [("patches", "", crowding)]
    return [("even", "", crowding)] if crowding < EVEN_BELOW else []


def _say_hint(pattern: str, where: str, ratio: float) -> dict[str, Any]:
    entry = next(one for one in read_sentences()["hint"] if one["pattern"] == pattern)
    return {
        "pattern": pattern,
        "where": where,
        "ratio": float(ratio),
        "question": entry["question"].format(where=where, ratio=f"{ratio:.1f}"),
        "causes": [dict(cause) for cause in entry["causes"]],
    }
