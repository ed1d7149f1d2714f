"""Published schemes as data: limits, counted sizes, test area, direction of the scale, source.

Classes stand best first in the file and are compared by their place there, never as text:
in some schemes the higher label is the better one, in others the lower.
"""

import functools
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from ..core.checks import TOML_RULES, read_text
from ..core.errors import SettingsError

NO_CLASS = "none"
NOT_GRADED = "not graded"
KINDS = ("area_ratio", "pit_rate", "largest_void", "boxed_volume")
EDGE = 1e-9  # a size that equals a limit to the last digit is on the limit

Positive = Annotated[float, msgspec.Meta(gt=0)]
NotNegative = Annotated[float, msgspec.Meta(ge=0)]
Mark = Literal["read", "memory", "ours"]


class SchemeClass(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One class: its label and limits.

    limit : per cent of the window (area_ratio), pits per window (pit_rate), mm (largest_void)
    or cm3 (boxed_volume); depth_limit : mm; also_mm2 : a second column of the same standard;
    is_limit_allowed : whether a value equal to the limit still belongs to the class.
    """

    name: Annotated[str, msgspec.Meta(min_length=1)]
    limit: NotNegative
    mark: Mark
    depth_limit: Positive | None = None
    also_mm2: Positive | None = None
    is_limit_allowed: bool = True

    def allows(self, value: float) -> bool:
        """Return whether the value belongs to this class or a better one."""
        if self.is_limit_allowed:
            return value <= self.limit * (1 + EDGE) + EDGE
        return value < self.limit * (1 - EDGE)


class Scheme(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One scheme: what is counted, in which window, and its classes, best first."""

    title: str
    kind: Literal["area_ratio", "pit_rate", "largest_void", "boxed_volume"]
    labels: Literal["rise", "fall"]
    source: str
    classes: Annotated[tuple[SchemeClass, ...], msgspec.Meta(min_length=1)]
    window_mm: tuple[Positive, Positive] | None = None
    counted_mm: tuple[NotNegative, Positive] | None = None
    counted_mark: Mark = "read"
    notes: tuple[str, ...] = ()
    shown: bool = True

    def class_at(self, place: int) -> str:
        """Return the label at a place of the scale; past the last one it is "none"."""
        return self.classes[place].name if place < len(self.classes) else NO_CLASS

    def place_of(self, value: float) -> int:
        """Return the place (0 = best) of the best class that allows the value."""
        for place, one in enumerate(self.classes):
            if one.allows(value):
                return place
        return len(self.classes)

    def place_of_name(self, name: str) -> int:
        """Return the place of a label; an unknown label is a SettingsError."""
        names = [one.name for one in self.classes]
        if name not in names:
            raise SettingsError(f"{self.title} has no class {name!r}; it has {', '.join(names)}.")
        return names.index(name)


class WindowTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the table of windows shows."""

    counted_mm: tuple[NotNegative, Positive]
    sizes_mm: tuple[tuple[Positive, Positive], ...]
    source: str


class SchemeBook(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All schemes by name, with the sentences that go with every class."""

    schemes: dict[str, Scheme]
    words: dict[str, str] = {}
    windows: WindowTable | None = None


def read_schemes(scheme_file: str | Path | None = None) -> SchemeBook:
    """Return the published schemes, with those of the shop's own file added.

    Raises
    ------
    SettingsError
        When the file is missing, is not TOML, or holds a wrong name, type or order.
    """
    book = _published()
    if scheme_file is None:
        return book
    own = _parse_book(read_text(Path(scheme_file), "the shop's schemes"), str(scheme_file))
    taken = sorted(set(own.schemes) & set(book.schemes))
    if taken:
        raise SettingsError(
            f"{scheme_file}: {taken[0]!r} is the name of a published scheme; choose another name."
        )
    return msgspec.structs.replace(book, schemes=book.schemes | own.schemes)


def choose_schemes(book: SchemeBook, names: tuple[str, ...] | None) -> dict[str, Scheme]:
    """Return the schemes asked for by name, or all that are shown when `names` is None."""
    if names is None:
        return {name: scheme for name, scheme in book.schemes.items() if scheme.shown}
    unknown = [name for name in names if name not in book.schemes]
    if unknown:
        raise SettingsError(
            f"There is no scheme {unknown[0]!r}; choose from {', '.join(sorted(book.schemes))}."
        )
    return {name: book.schemes[name] for name in names}


@functools.lru_cache(maxsize=1)
def _published() -> SchemeBook:
    text = (files("rakelight.data") / "schemes.toml").read_text(encoding="utf-8")
    return _parse_book(text, "schemes.toml")


def _parse_book(text: str, name: str) -> SchemeBook:
    try:
        book = msgspec.convert(tomllib.loads(text), SchemeBook)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{name} is not valid TOML ({error}); {TOML_RULES}") from None
    except msgspec.ValidationError as error:
        raise SettingsError(f"{name}: {error}.") from None
    for key, scheme in book.schemes.items():
        _check_scheme(f"{name}: scheme {key!r}", scheme)
    return book


def _check_scheme(where: str, scheme: Scheme) -> None:
    limits = [one.limit for one in scheme.classes]
    if limits != sorted(limits):
        raise SettingsError(f"{where} must list its classes best first, with limits that rise.")
    if len({one.name for one in scheme.classes}) < len(limits):
        raise SettingsError(f"{where} names a class twice.")
    if scheme.kind in ("area_ratio", "pit_rate") and scheme.window_mm is None:
        raise SettingsError(f"{where} needs window_mm, the width and height of its test area.")
    if scheme.kind == "area_ratio" and scheme.counted_mm is None:
        raise SettingsError(f"{where} needs counted_mm, the smallest and largest size counted.")
    if scheme.counted_mm is not None and scheme.counted_mm[0] >= scheme.counted_mm[1]:
        raise SettingsError(f"{where}: counted_mm must be smallest first, then largest.")
