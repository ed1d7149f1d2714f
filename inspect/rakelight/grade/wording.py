"""The record of one class, in words: the rule, the figure, and what it does not say."""

import math
from typing import Any

from ..core.records import Grade
from ..core.settings import GradeSettings
from .measured import Measured, name_size
from .schemes import Scheme, SchemeBook, SchemeClass
from .windows import WHOLE_FACE

UNIT_WORDS = {
    "area_ratio": " %",
    "pit_rate": " pits",
    "largest_void": " mm",
    "boxed_volume": " cm3",
}


def name_place(size_mm: tuple[float, float]) -> str:
    """Return where a figure comes from, as a phrase."""
    if size_mm == WHOLE_FACE:
        return "over the whole face"
    return f"in the worst {name_size(size_mm)} window"


def make_grade(
    name: str,
    scheme: Scheme,
    measured: Measured,
    book: SchemeBook,
    *,
    value: float,
    value_range: tuple[float, float],
    unit: str,
    what: str,
    notes: tuple[str, ...] = (),
    window: Any = None,
    places: tuple[int, int, int] | None = None,
) -> Grade:
    """Return the record of one class from its figure; `places` overrides value, low and high."""
    place, best, worst = places or tuple(scheme.place_of(v) for v in (value, *value_range))
    touched = tuple(scheme.class_at(p) for p in range(best, worst + 1))
    near = [one for one in scheme.classes if _is_near(value, one, measured.settings)]
    decides = scheme.classes[min(place, len(scheme.classes) - 1)]
    if near:
        notes += (
            f"Within {measured.settings.borderline_share:.0%} of the limit of "
            f"{' and '.join(one.name for one in near)}: measure by hand before you rely on it.",
        )
    if decides.mark == "memory":
        notes += (book.words["memory"],) if "memory" in book.words else ()
    return Grade(
        scheme=name,
        title=scheme.title,
        class_name=scheme.class_at(place),
        range=touched,
        value=value,
        unit=unit,
        rule=_describe_rule(scheme, decides, place, what),
        window=window,
        source=scheme.source,
        mark=decides.mark,
        is_borderline=bool(near),
        notes=notes + _size_notes(scheme, measured) + scheme.notes,
        value_range=value_range,
    )


def _describe_rule(scheme: Scheme, decides: SchemeClass, place: int, what: str) -> str:
    limit = f"{decides.limit:g}{UNIT_WORDS[scheme.kind]}"
    if place >= len(scheme.classes):
        return f"{what}: more than {limit}, the limit of the last class ({decides.name})"
    word = "at most" if decides.is_limit_allowed else "less than"
    return f"{what}: {word} {limit} for {decides.name}"


def _size_notes(scheme: Scheme, measured: Measured) -> tuple[str, ...]:
    smallest_mm = measured.smallest_countable_mm
    if scheme.counted_mm is None:
        return ()
    notes: tuple[str, ...] = ()
    low_mm, high_mm = scheme.counted_mm
    if math.isnan(smallest_mm):
        notes += ("The smallest countable size is not known: small pits may be missing.",)
    elif smallest_mm >= high_mm:
        notes += (
            f"This photo shows nothing below {smallest_mm:.1f} mm: the class cannot be told.",
        )
    elif smallest_mm > low_mm + 1e-9:
        notes += (
            f"Pits of {low_mm:g} to {smallest_mm:.1f} mm count here but this photo cannot show "
            "them all; the range allows for them.",
        )
    if scheme.counted_mark == "memory":
        notes += ("The band of counted sizes is from memory.",)
    return notes


def _is_near(value: float, one: SchemeClass, settings: GradeSettings) -> bool:
    return one.limit > 0 and abs(value - one.limit) <= settings.borderline_share * one.limit
