"""Lengths and areas as people write and read them.

Inside rakelight everything is mm, mm2, mm3, degrees, grams and minutes. Only the edges
(command line, screens, printed pages) turn other units into these and back.
"""

import math
import re
from fractions import Fraction

from .errors import SettingsError

MM_PER_INCH = 25.4  # exact, international inch
MM_PER_FOOT = 304.8
MM2_PER_M2 = 1e6
MM2_PER_FT2 = MM_PER_FOOT**2
SIXTEENTHS_PER_INCH = 16

_MM_PER_UNIT = {
    "": 1.0,
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    '"': MM_PER_INCH,
    "ft": MM_PER_FOOT,
    "'": MM_PER_FOOT,
}
_LENGTH_PART = re.compile(
    r"\s*(?P<number>\d+\s+\d+/\d+|\d+/\d+|\d*[.,]?\d+)\s*(?P<unit>mm|cm|m|in|ft|\"|')?"
)
_THOUSANDS = re.compile(r"\d{1,3},\d{3}(?!\d)")
_SIZE_SEPARATOR = re.compile(r"\s*[x×X*]\s*")


def parse_length_mm(text: str) -> float:
    """Return a length in mm from words such as ``2400``, ``2.4 m``, ``28in`` or ``7' 6 1/2"``.

    Parameters
    ----------
    text : str
        One or more numbers, each followed by a unit; a bare number is mm.

    Raises
    ------
    SettingsError
        When the text is not a length above zero.
    """
    position, total_mm, rest = 0, 0.0, text.strip()
    if _THOUSANDS.search(rest):
        raise SettingsError(f"Write a length without a thousands comma, such as 2400, not {text!r}.")
    while position < len(rest):
        part = _LENGTH_PART.match(rest, position)
        if part is None or part.end() == position:
            raise SettingsError(f"Write a length such as 2400, 2.4m, 28in or 8ft, not {text!r}.")
        if not part["unit"] and part.end() - part.start() < len(rest):
            raise SettingsError(f"Give every part of a length its unit, such as 7' 6in, not {text!r}.")
        total_mm += _read_number(part["number"], text) * _MM_PER_UNIT[part["unit"] or ""]
        position = part.end()
    if not total_mm > 0:
        raise SettingsError(f"A length must be greater than 0, not {text!r}.")
    return total_mm


def parse_size_mm(text: str) -> tuple[float, float]:
    """Return (width, height) in mm from words such as ``2400x700`` or ``8ft x 28in``."""
    sides = _SIZE_SEPARATOR.split(text.strip())
    if len(sides) != 2:
        raise SettingsError(f"Write a size such as 2400x700 or 8ft x 28in, not {text!r}.")
    return parse_length_mm(sides[0]), parse_length_mm(sides[1])


def parse_number(text: str) -> float:
    """Return a plain number from words such as ``0.25`` or ``0,25``.

    Raises
    ------
    SettingsError
        When it is none, is not finite, or could be two numbers (``1,250``).
    """
    word = text.strip()
    if _THOUSANDS.fullmatch(word) and not word.startswith("0"):
        raise SettingsError(f"Write {word!r} without its comma, as {word.replace(',', '.')} or {word.replace(',', '')}.")
    try:
        number = float(word.replace(",", ".") if word.count(",") == 1 and "." not in word else word)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise SettingsError(f"Write a number such as 0.25, not {text!r}.")
    return number


def format_inches(length_mm: float) -> str:
    """Return a length in inches to the nearest 1/16, as a tape measure reads (``12 3/16"``).

    Errors of the answer: rounding of up to 1/32 in (0.8 mm). NaN comes back as a dash.
    """
    if not math.isfinite(length_mm):
        return "–"
    sign = "-" if length_mm < 0 else ""
    sixteenths = round(abs(length_mm) / MM_PER_INCH * SIXTEENTHS_PER_INCH)
    whole, part = divmod(sixteenths, SIXTEENTHS_PER_INCH)
    if part == 0:
        return f'{sign if whole else ""}{whole}"'
    fraction = Fraction(part, SIXTEENTHS_PER_INCH)
    return f'{sign}{whole} {fraction}"' if whole else f'{sign}{fraction}"'


def format_length(length_mm: float, units: str = "mm", *, decimals: int = 0) -> str:
    """Return a length as the person chose to read it: ``units`` is ``mm`` or ``in``."""
    if units == "in":
        return format_inches(length_mm)
    if not math.isfinite(length_mm):
        return "–"
    return f"{length_mm:.{decimals}f} mm"


def per_m2(count: float, area_mm2: float) -> float:
    """Return a count per square metre; NaN when the area is zero."""
    return count / (area_mm2 / MM2_PER_M2) if area_mm2 > 0 else math.nan


def per_ft2(count: float, area_mm2: float) -> float:
    """Return a count per square foot; NaN when the area is zero."""
    return count / (area_mm2 / MM2_PER_FT2) if area_mm2 > 0 else math.nan


def _read_number(number: str, text: str) -> float:
    try:
        return float(sum(Fraction(part.replace(",", ".")) for part in number.split()))
    except ZeroDivisionError:
        raise SettingsError(f"A fraction cannot have 0 below its line, as in {text!r}.") from None
