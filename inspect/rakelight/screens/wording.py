"""How numbers, sides and findings read on the screens: words of the trade, mm or inches.

The words of pictures and pages stand in `data/wording`; what the screens share with them
(lamp sides, actions) is taken from there, so that screen and paper say the same.
"""

import math
from typing import Any

from rakelight.core.units import MM_PER_INCH, format_inches
from rakelight.report.words import Words, load_words

SIDES: dict[str, float] = {
    "back left": 315.0, "back": 0.0, "back right": 45.0,
    "left": 270.0, "right": 90.0,
    "front left": 225.0, "front": 180.0, "front right": 135.0,
}  # fmt: skip

VERDICT_WORDS = {
    "good": "Good photo",
    "doubtful": "Usable with doubts",
    "retake": "Take it again",
}

EXPLAINED = {
    "raking light": "The lamp lies low beside the slab, so that every hole throws a shadow.",
    "pit": "Any hole open at the surface, whatever its size.",
    "pinhole": "A pit below 2 mm.",
    "slurry coat": "Cement paste rubbed over the whole field, which fills all small pits at once.",
    "field": "A square of the face, named by its row from the front (A, B, ...) and its place from the left.",
    "soft light": "Light from everywhere, such as open shade: it shows colour and hides relief.",
}


def say_size(size_mm: float, units: str) -> str:
    """Return a pit's size: ``2.3 mm`` or ``0.09"``."""
    return load_words().size(size_mm, units)


def say_length(length_mm: float, units: str) -> str:
    """Return a length as a tape reads it: ``312 mm`` or ``12 5/16"``."""
    if units == "in":
        return format_inches(length_mm)
    return "–" if not math.isfinite(length_mm) else f"{length_mm:.0f} mm"


def say_density(summary: dict[str, Any], units: str) -> tuple[str, str]:
    """Return what is counted per area, and the area: ``('42', 'per m²')``."""
    value = summary["per_ft2"] if units == "in" else summary["per_m2"]
    shown = "–" if value is None else f"{value:.3g}" if value < 100 else f"{value:.0f}"
    return shown, "per ft²" if units == "in" else "per m²"


def say_minutes(minutes: float) -> str:
    """Return a time of hand work: ``25 min`` or ``1 h 40 min``."""
    if not math.isfinite(minutes):
        return "–"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"


def say_share(share: float | None) -> str:
    """Return a share of the face in per cent."""
    return "–" if share is None or not math.isfinite(share) else f"{100 * share:.2g} %"


def say_action(action: str) -> str:
    """Return an action of the plan as the work sheet prints it."""
    words: Words = load_words()
    return words.section("action").get(action, action)


def to_units(length_mm: Any, units: str) -> Any:
    """Return lengths for a column of numbers: mm as they are, or inches."""
    return length_mm / MM_PER_INCH if units == "in" else length_mm
