"""Sentences of a record told in inches: lengths, areas, and figures per square metre.

A record is written in mm; what a person reads follows `units`. Figures a sentence does not
name a unit for stay as they are.
"""

import re

from rakelight.core.units import MM2_PER_FT2, MM2_PER_M2, MM_PER_INCH, format_inches

from .words import clean_sentence

_NUMBER = r"\d+(?:[.,]\d+)?"
_START = r"(?<![\w.,])"  # never in the middle of a word or a number
_LENGTHS = re.compile(
    rf"{_START}(?P<list>{_NUMBER}(?:(?: to | and | or | x | × |–|-){_NUMBER})*)\s?mm(?![\w²³])"
)
_PER_AREA = re.compile(
    rf"{_START}(?P<value>{_NUMBER})(?P<noun>(?: [a-z]+)?) per (?:m2|m²|square metre)(?!\w)"
)
_AREAS = re.compile(rf"{_START}(?P<value>{_NUMBER}) (?:m2|m²)(?!\w)")
_SQUARED = re.compile(r"\b(m|mm|ft)2\b")
_TAPE_FROM_MM = 25.0  # a tape reads these; smaller sizes are told in hundredths of an inch
_FINE_BELOW_MM = 1.0


def say_in(text: str, units: str) -> str:
    """Return a sentence with its lengths and areas in the person's units.

    Parameters
    ----------
    text : str
        A sentence of the record, lengths in mm.
    units : str
        ``mm`` leaves lengths alone; ``in`` tells them in inches, areas in square feet.

    Errors of the answer: lengths of 25 mm and more are rounded to 1/16 in, smaller ones to
    1/100 in (below 1 mm to two figures). Source: our choice.
    """
    if units == "in":
        text = _LENGTHS.sub(_turn_lengths, text)
        text = _PER_AREA.sub(_turn_rate, text)
        text = _AREAS.sub(_turn_area, text)
    return _SQUARED.sub(r"\1²", text)


def tell_sentence(text: object, *, units: str = "mm") -> str:
    """Return free text of a record as one printable line in the person's units."""
    return say_in(clean_sentence(text), units)


def say_small(size_mm: float) -> str:
    """Return a length in inches: tape fractions from 25 mm up, hundredths below, finer below 1 mm."""
    if size_mm >= _TAPE_FROM_MM:
        return format_inches(size_mm)
    inches = size_mm / MM_PER_INCH
    return f'{inches:.2g}"' if 0 < size_mm < _FINE_BELOW_MM else f'{inches:.2f}"'


def _turn_lengths(match: re.Match[str]) -> str:
    return re.sub(_NUMBER, lambda one: _as_written(say_small(_read(one[0])), one[0]), match["list"])


def _turn_rate(match: re.Match[str]) -> str:
    value = _read(match["value"]) * MM2_PER_FT2 / MM2_PER_M2
    told = _as_written(f"{value:.{0 if value >= 10 else 1}f}", match["value"])
    return f"{told}{match['noun']} per ft²"


def _turn_area(match: re.Match[str]) -> str:
    told = f"{_read(match['value']) * MM2_PER_M2 / MM2_PER_FT2:.2f}"
    return f"{_as_written(told, match['value'])} ft²"


def _read(number: str) -> float:
    return float(number.replace(",", "."))


def _as_written(told: str, number: str) -> str:
    """Keep the comma of a language that writes one."""
    return told.replace(".", ",") if "," in number else told
