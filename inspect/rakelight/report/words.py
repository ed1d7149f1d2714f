"""Words for pictures and pages: which sentence, in which language, with which number.

Sentences live in `data/wording/<language>.toml`; code holds keys only. Text typed by a
person (a job's name, a client) is data: it is cleaned here and never read as a template.
"""

import math
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

from rakelight.core.errors import SettingsError
from rakelight.core.units import MM_PER_INCH, format_inches

# Marks that turn the reading direction of what follows them; a name may not carry them
# into the sentence around it.
_DIRECTION_MARKS = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_LONGEST_NAME = 90
_LONGEST_SENTENCE = 600


@dataclass(frozen=True, slots=True)
class Words:
    """The sentences of one language."""

    language: str
    sections: dict[str, dict[str, Any]]

    def say(self, key: str, /, **values: Any) -> str:
        """Return the sentence of a key such as ``map.front`` with its values put in."""
        section, name = key.split(".", 1)
        return self.sections[section][name].format(**values)

    def listed(self, key: str) -> tuple[str, ...]:
        """Return a list of sentences, such as the safety lines."""
        section, name = key.split(".", 1)
        return tuple(self.sections[section][name])

    def section(self, name: str) -> dict[str, Any]:
        """Return all words of a section, for a page template."""
        return self.sections[name]

    def count_pits(self, n: int) -> str:
        """Return ``no pit``, ``1 pit`` or ``12 pits``."""
        return self.say({0: "pits.none", 1: "pits.one"}.get(n, "pits.many"), n=n)

    def number(self, value: float, decimals: int = 0) -> str:
        """Return a number as people of this language write it; NaN is a dash."""
        if not math.isfinite(value):
            return "–"
        rounded = round(value, decimals) + 0.0
        return f"{rounded:.{decimals}f}".replace(".", self.sections["form"]["decimal"])

    def length(self, length_mm: float, units: str = "mm", decimals: int = 0) -> str:
        """Return a length with its unit: ``12 mm`` or ``1/2"``."""
        if units == "in":
            return format_inches(length_mm)
        return f"{self.number(length_mm, decimals)} mm" if math.isfinite(length_mm) else "–"

    def size(self, size_mm: float, units: str = "mm") -> str:
        """Return a pit's size, which no tape reads: ``1.1 mm`` or ``0.04"``; no needless zeros."""
        if not math.isfinite(size_mm):
            return "–"
        value, decimals = (size_mm / MM_PER_INCH, 2) if units == "in" else (size_mm, 1)
        text = self.number(value, decimals)
        if units != "in":
            text = text.removesuffix(self.sections["form"]["decimal"] + "0")
        return f'{text}"' if units == "in" else f"{text} mm"


def load_words(language: str = "en") -> Words:
    """Return the words of a language.

    Raises
    ------
    SettingsError
        When there is no wording file for the language; the sentence names those there are.
    """
    if language not in list_languages():
        raise SettingsError(
            f"There is no wording for {language!r}; choose one of {', '.join(list_languages())}."
        )
    return _read_words(language)


@lru_cache(maxsize=8)
def _read_words(language: str) -> Words:
    path = resources.files("rakelight.data").joinpath("wording", f"{language}.toml")
    return Words(language=language, sections=tomllib.loads(path.read_text(encoding="utf-8")))


@lru_cache(maxsize=1)
def list_languages() -> tuple[str, ...]:
    """Return the languages that have a wording file, sorted."""
    folder = resources.files("rakelight.data").joinpath("wording")
    return tuple(sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml")))


def clean_name(text: Any, *, longest: int = _LONGEST_NAME) -> str:
    """Return a name as one printable line: no control marks, never longer than `longest`.

    Anything else stays as typed, brackets and hashes too: pages receive it as data.
    """
    line = " ".join("".join(_printable(letter) for letter in str(text or "")).split())
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "…"


def clean_sentence(text: Any) -> str:
    """Return free text as one printable line of at most 600 characters."""
    return clean_name(text, longest=_LONGEST_SENTENCE)


def _printable(letter: str) -> str:
    if letter in _DIRECTION_MARKS or unicodedata.category(letter) in ("Cc", "Cs", "Co", "Cn"):
        return " " if letter in "\t\r\n\v\f" else ""
    return letter
