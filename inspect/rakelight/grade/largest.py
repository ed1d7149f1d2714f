"""Rules on the largest single void: its largest width, its depth, or both together.

Lower is better. A least depth can only break a rule for certain, never keep it: the bad end
of the range takes each pit of unknown depth to be as deep as it is wide (undercut pits are).
"""

import numpy as np

from ..core.records import Grade
from .measured import Measured, PitArrays
from .ranges import draw_largest, find_range
from .schemes import EDGE, Scheme, SchemeBook, SchemeClass
from .wording import make_grade

MM3_PER_CM3 = 1000.0


def grade_largest(name: str, scheme: Scheme, measured: Measured, book: SchemeBook) -> Grade:
    """Return the class by a rule on single voids.

    Errors of the answer: the largest width is off by the outline of one pit; depths from one
    lamp are least depths, and the range says what they leave open.
    Source: the scheme's own, with a mark per limit.
    """
    pits = measured.pits
    figure = _box_volumes if scheme.kind == "boxed_volume" else _lengths
    values = figure(pits, known_depths(pits), np.ones(pits.n))
    value = float(values.max(initial=0.0))
    drawn = draw_largest(
        pits,
        lambda ratio: figure(pits, guess_depths(pits), ratio),
        smallest_countable_mm=measured.smallest_countable_mm,
        settings=measured.settings,
    )
    value_range = find_range(value, drawn, measured.settings)
    known, guessed = known_depths(pits), guess_depths(pits)
    places = (
        max(scheme.place_of(value), _depth_place(scheme, known)),
        max(scheme.place_of(value_range[0]), _depth_place(scheme, known)),
        max(scheme.place_of(value_range[1]), _depth_place(scheme, guessed)),
    )
    unit, what = ("cm3", "depth times box of the largest void")
    if scheme.kind == "largest_void":
        unit, what = "mm", "largest width of any void"
    notes = _where_note(values, measured) + _depth_notes(scheme, pits) + patch_notes(scheme, pits)
    return make_grade(
        name,
        scheme,
        measured,
        book,
        value=value,
        value_range=value_range,
        unit=unit,
        what=what + _depth_words(scheme, places[0]),
        notes=notes,
        places=places,
    )


def must_patch(
    scheme: Scheme, class_name: str, *, length_mm: np.ndarray, depth_mm: np.ndarray
) -> np.ndarray:
    """Return which voids break one class's limits on width or depth (NaN depth never does)."""
    one = scheme.classes[scheme.place_of_name(class_name)]
    return _breaks_length(one, np.asarray(length_mm, float)) | _breaks_depth(
        one, np.asarray(depth_mm, float)
    )


def known_depths(pits: PitArrays) -> np.ndarray:
    """Return what is known of each depth: a measured or a least depth, 0 when nothing is."""
    return np.where(np.isfinite(pits.depth_mm), pits.depth_mm, 0.0)


def guess_depths(pits: PitArrays) -> np.ndarray:
    """Return a cautious depth: as measured, else as deep as wide, or the least depth if larger."""
    is_open = pits.is_depth_least | ~np.isfinite(pits.depth_mm)
    return np.where(is_open, np.maximum(known_depths(pits), pits.diameter_mm), known_depths(pits))


def patch_notes(scheme: Scheme, pits: PitArrays) -> tuple[str, ...]:
    """Return how many voids break each class, for rules that say what is to be patched."""
    counts = []
    for one in scheme.classes:
        if scheme.kind == "boxed_volume":
            volume_cm3 = _box_volumes(pits, known_depths(pits), np.ones(pits.n))
            breaks = (volume_cm3 > one.limit) | _breaks_depth(one, known_depths(pits))
        else:
            breaks = _breaks_length(one, pits.length_mm) | _breaks_depth(one, known_depths(pits))
        counts.append(f"{one.name} {int(breaks.sum())}")
    return ("Voids over the limit, by class: " + ", ".join(counts) + ".",)


def _lengths(pits: PitArrays, _depth_mm: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    return pits.length_mm * ratio


def _box_volumes(pits: PitArrays, depth_mm: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    return depth_mm * pits.length_mm * pits.width_mm * ratio**2 / MM3_PER_CM3


def _breaks_length(one: SchemeClass, length_mm: np.ndarray) -> np.ndarray:
    if one.is_limit_allowed:
        return length_mm > one.limit * (1 + EDGE)
    return length_mm >= one.limit * (1 - EDGE)


def _breaks_depth(one: SchemeClass, depth_mm: np.ndarray) -> np.ndarray:
    if one.depth_limit is None:
        return np.zeros(np.shape(depth_mm), bool)
    return np.nan_to_num(depth_mm) > one.depth_limit * (1 + EDGE)


def _depth_place(scheme: Scheme, depth_mm: np.ndarray) -> int:
    """Best class whose depth limit no pit breaks."""
    for place, one in enumerate(scheme.classes):
        if not _breaks_depth(one, depth_mm).any():
            return place
    return len(scheme.classes)


def _depth_words(scheme: Scheme, place: int) -> str:
    if place >= len(scheme.classes) or scheme.classes[place].depth_limit is None:
        return ""
    return f" (and at most {scheme.classes[place].depth_limit:g} mm deep)"


def _where_note(values: np.ndarray, measured: Measured) -> tuple[str, ...]:
    if not len(values):
        return ("No pit was found.",)
    at = int(np.argmax(values))
    pits = measured.pits
    return (
        f"The largest lies {pits.x_mm[at]:.0f} mm from the left, {pits.y_mm[at]:.0f} mm from the top.",
    )


def _depth_notes(scheme: Scheme, pits: PitArrays) -> tuple[str, ...]:
    has_depth_rule = any(one.depth_limit is not None for one in scheme.classes)
    if not has_depth_rule or not (pits.is_depth_least | ~np.isfinite(pits.depth_mm)).any():
        return ()
    return (
        "Depths from one lamp are least depths: the bad end of the range takes every such pit "
        "to be as deep as it is wide.",
    )
