"""How numbers, sides and findings read on the screens: words of the trade, mm or inches.

The words of pictures and pages stand in `data/wording`; what the screens share with them
(lamp sides, actions, states) is taken from there, so that screen and paper say the same.
"""

import math
from typing import Any

import streamlit as st

from rakelight.core.units import MM_PER_INCH, format_inches
from rakelight.report.words import clean_name, load_words

VERDICT_WORDS = {
    "good": "Good photo",
    "doubtful": "Usable, with doubts",
    "retake": "Take it again",
}

EXPLAINED = {
    "raking light": "the lamp lies low beside the slab, so that every hole throws a shadow",
    "soft light": "light from everywhere, such as open shade: it shows colour and hides relief",
    "pit": "any hole that is open at the surface",
    "pinhole": "a pit below 2 mm",
    "bug hole": "a pit of 2 to 15 mm, left by air against the form",
    "void": "a hole above 15 mm: repair it by eye, do not just fill it",
    "slurry coat": "cement paste rubbed over a whole area, which closes all its small pits at once",
    "field": "a square of the face, named by its row from the front (A, B, …) and its place from the left",
    "character": "left open on purpose, because it belongs to the look",
    "scale card": "the printed card with four squares that lies on the face and tells size and light",
    "crossing point": "the number of pits per area from which coating all costs less than filling each",
    "dished": "a fill that sank and left a shallow hollow",
}

KIND_WORDS = {"pinhole": "pinhole", "bug_hole": "bug hole", "void": "void"}
SIDES = ("back", "back right", "right", "front right", "front", "front left", "left", "back left")


def warn_of_lamp(summary: dict[str, Any]) -> None:
    """Show, above everything, that the photo contradicts the lamp side that was said."""
    if "lamp_side_contradicted" in summary.get("lamp", {}).get("flags", ()):
        st.error(f"**{load_words().say('sheet.lamp_side')}** {load_words().say('client.lamp_side')}")


def explain(word: str, *, is_start: bool = False) -> str:
    """Return a trade word, in bold and with its explanation where the person meets it first.

    is_start : whether it begins a sentence.
    """
    shown = word[:1].upper() + word[1:] if is_start else word
    met = st.session_state.setdefault("words_met", {})
    page = st.session_state.get("page_now", "")
    if met.setdefault(word, page) != page:
        return shown
    return f"**{shown}** ({EXPLAINED[word]})"


def mean(word: str) -> str:
    """Return what a trade word means, as a sentence for a help sign."""
    meaning = EXPLAINED[word]
    return meaning[:1].upper() + meaning[1:] + "."


def plain(text: str) -> str:
    """Return a name that a person typed so that no sign in it is taken for markup."""
    return "".join(f"\\{c}" if c in "\\`*_{}[]()#+!|$~<>:" else c for c in clean_name(text))


def say_size(size_mm: float | None, units: str) -> str:
    """Return a pit's size: ``2.3 mm`` or ``0.09"``."""
    return load_words().size(math.nan if size_mm is None else size_mm, units)


def say_length(length_mm: float, units: str) -> str:
    """Return a length as a tape reads it: ``312 mm`` or ``12 5/16"``."""
    if units == "in":
        return format_inches(length_mm)
    return "–" if not math.isfinite(length_mm) else f"{length_mm:.0f} mm"


def say_chance(confidence: float) -> str:
    """Return how many of a hundred that look the same are real; never all and never none."""
    n_real = round(100 * confidence)
    if n_real >= 100:
        return "more than 99 in 100"
    return "fewer than 1 in 100" if n_real <= 0 else f"{n_real} in 100"


def say_density(summary: dict[str, Any], units: str) -> tuple[str, str]:
    """Return what is counted per area, and the area: ``('42', 'per m²')``."""
    value = summary["per_ft2"] if units == "in" else summary["per_m2"]
    shown = "–" if value is None else f"{value:.3g}" if value < 100 else f"{value:.0f}"
    return shown, "per ft²" if units == "in" else "per m²"


def say_minutes(minutes: float | None) -> str:
    """Return a time of hand work: ``25 min`` or ``1 h 40 min``."""
    if minutes is None or not math.isfinite(minutes):
        return "–"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"


def say_share(share: float | None) -> str:
    """Return a share of the face in per cent."""
    return "–" if share is None or not math.isfinite(share) else f"{100 * share:.2g} %"


def say_action(action: str) -> str:
    """Return an action of the plan as the work sheet prints it."""
    return load_words().section("action").get(action, action.replace("_", " "))


def say_side(from_deg: float | None) -> str:
    """Return the side of the slab the light comes from, to the nearest eighth."""
    if from_deg is None or not math.isfinite(from_deg):
        return "a side not known"
    return "the " + SIDES[round((from_deg % 360) / 45) % 8]


def to_units(length_mm: Any, units: str) -> Any:
    """Return lengths for a column of numbers: mm as they are, or inches."""
    return length_mm / MM_PER_INCH if units == "in" else length_mm
