"""What was agreed with the client, read from `agreed.toml`, and what was measured against it.

Nothing passes or fails in rakelight unless a limit was agreed. The file says the smallest
size counted, a limit (a class of a scheme, or a figure of its own), the viewing distance,
the faces and zones it holds for, and the approved sample.
"""

import datetime
import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from ..core.checks import TOML_RULES, read_text
from ..core.errors import SettingsError
from .schemes import NotNegative, Positive, Scheme, SchemeBook, read_schemes

TOP = "top"  # the face meant when none is said
OWN_WINDOW_MM = (500.0, 500.0)
FOOT_MM = (304.8, 304.8)
METRE_MM = (1000.0, 1000.0)
LARGEST_COUNTED_MM = 15.0  # larger ones are findings by themselves, not "more area"
Percent = Annotated[float, msgspec.Meta(ge=0, le=100)]


class _Terms(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Limits, in the job as a whole, in one face or in one zone."""

    scheme: str = ""
    class_name: str = msgspec.field(default="", name="class")
    area_percent: Percent | None = None
    per_ft2: NotNegative | None = None
    per_m2: NotNegative | None = None
    largest_mm: Positive | None = None

    @property
    def has_limit(self) -> bool:
        """Whether any limit is stated here."""
        own = (self.area_percent, self.per_ft2, self.per_m2, self.largest_mm)
        return bool(self.scheme) or any(value is not None for value in own)


class AgreedZone(_Terms, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A part of the face with terms of its own, or left as character.

    Its place: `outline_mm` on the plan, or from_left_mm, from_front_mm, width_mm and depth_mm
    as a tape measures from the front-left corner.
    """

    name: Annotated[str, msgspec.Meta(min_length=1)]
    outline_mm: tuple[tuple[float, float], ...] = ()
    from_left_mm: float | None = None
    from_front_mm: float | None = None
    width_mm: Positive | None = None
    depth_mm: Positive | None = None
    character: bool = False


class AgreedFace(_Terms, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One face: whether it counts, and terms of its own."""

    name: Annotated[str, msgspec.Meta(min_length=1)]
    counts: bool = True


class Agreed(_Terms, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Everything agreed for one job."""

    smallest_mm: Positive
    schema: Literal[1] = 1
    window_mm: tuple[Positive, Positive] = OWN_WINDOW_MM
    viewing_distance_mm: Positive = 600.0
    sample: str = ""
    signed_on: datetime.date | None = None
    faces: tuple[AgreedFace, ...] = ()
    zones: tuple[AgreedZone, ...] = ()


@dataclass(frozen=True, slots=True)
class AgreedLimit:
    """One limit as the windows know it.

    kind : area_ratio (per cent of a window), pit_rate (pits per window) or largest_void (mm);
    counted_mm : sizes counted, both ends included; text : the limit in words.
    """

    kind: str
    limit: float
    counted_mm: tuple[float, float]
    window_mm: tuple[float, float]
    text: str
    is_limit_allowed: bool = True


def read_agreed(path: str | Path, *, scheme_file: str | Path | None = None) -> Agreed:
    """Return what was agreed, from a TOML file.

    Raises
    ------
    SettingsError
        One sentence saying which entry is missing or wrong and what would be right.
    """
    text = read_text(path, "what was agreed")
    return parse_agreed(text, name=Path(path).name, book=read_schemes(scheme_file))


def parse_agreed(text: str, *, name: str = "agreed.toml", book: SchemeBook | None = None) -> Agreed:
    """Return what was agreed, from TOML text; `book` holds the schemes it may name."""
    try:
        agreed = msgspec.convert(tomllib.loads(text), Agreed)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{name} is not valid TOML ({error}); {TOML_RULES}") from None
    except msgspec.ValidationError as error:
        raise SettingsError(f"{name}: {_say_error(str(error))}") from None
    book = book or read_schemes()
    _check_terms(name, agreed, "the job", book)
    for face in agreed.faces:
        _check_terms(name, face, f"face {face.name!r}", book)
    for zone in agreed.zones:
        _check_zone(name, zone, book)
    if not any(terms.has_limit for terms in (agreed, *agreed.faces, *agreed.zones)):
        raise SettingsError(
            f"{name} states no limit: give scheme and class, area_percent, per_ft2, per_m2 or "
            "largest_mm."
        )
    return agreed


def list_limits(
    terms: _Terms, agreed: Agreed, *, book: SchemeBook | None = None
) -> tuple[AgreedLimit, ...]:
    """Return the limits of a job, face or zone; sizes are counted from the agreed smallest on."""
    book = book or read_schemes()
    smallest_mm = agreed.smallest_mm
    limits = []
    if terms.scheme:
        limits.append(_scheme_limit(book.schemes[terms.scheme], terms.class_name, smallest_mm))
    if terms.area_percent is not None:
        text = f"at most {terms.area_percent:g} % open area in any {_say_size(agreed.window_mm)}"
        band_mm = (smallest_mm, max(LARGEST_COUNTED_MM, smallest_mm))
        limits.append(
            AgreedLimit("area_ratio", terms.area_percent, band_mm, agreed.window_mm, text)
        )
    for value, window_mm, word in (
        (terms.per_ft2, FOOT_MM, "square foot"),
        (terms.per_m2, METRE_MM, "square metre"),
    ):
        if value is not None:
            text = f"at most {value:g} pits of {smallest_mm:g} mm and more in any {word}"
            band_mm = (smallest_mm, math.inf)
            limits.append(AgreedLimit("pit_rate", value, band_mm, window_mm, text))
    if terms.largest_mm is not None:
        text = f"no pit wider than {terms.largest_mm:g} mm"
        band_mm = (smallest_mm, math.inf)
        limits.append(AgreedLimit("largest_void", terms.largest_mm, band_mm, (0.0, 0.0), text))
    return tuple(limits)


def zone_box(zone: AgreedZone, face_height_mm: float) -> tuple[tuple[float, float], ...]:
    """Return a zone's outline on the plan, mm, from tape distances when it has no outline."""
    if zone.outline_mm:
        return zone.outline_mm
    left, bottom = zone.from_left_mm, face_height_mm - zone.from_front_mm
    right, top = left + zone.width_mm, bottom - zone.depth_mm
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def narrow_to_face(agreed: Agreed, face_name: str = "") -> Agreed | None:
    """Return what was agreed for one face, or None when that face does not count.

    Terms of the face replace the job's. A job that names no faces holds for every face. With no
    name said it is the top, and the job's own terms hold where the agreement does not name one.
    """
    if not agreed.faces:
        return agreed
    for face in agreed.faces:
        if face.name.casefold() == (face_name or TOP).casefold():
            return _with_terms_of(agreed, face) if face.counts else None
    if not face_name:
        return msgspec.structs.replace(agreed, faces=())
    names = ", ".join(face.name for face in agreed.faces)
    raise SettingsError(
        f"Nothing was agreed for face {face_name!r}; agreed faces are {names}: name the one that the photo shows."
    )


def _with_terms_of(agreed: Agreed, face: AgreedFace) -> Agreed:
    terms = {field.name: getattr(face, field.name) for field in msgspec.structs.fields(_Terms)}
    return msgspec.structs.replace(agreed, faces=(), **(terms if face.has_limit else {}))


def _scheme_limit(scheme: Scheme, class_name: str, smallest_mm: float) -> AgreedLimit:
    one = scheme.classes[scheme.place_of_name(class_name)]
    high_mm = scheme.counted_mm[1] if scheme.counted_mm else math.inf
    is_deep = one.depth_limit is not None
    text = f"{class_name} of {scheme.title}" + (" (width only, not depth)" if is_deep else "")
    return AgreedLimit(
        scheme.kind,
        one.limit,
        (smallest_mm, max(high_mm, smallest_mm)),
        scheme.window_mm or (0.0, 0.0),
        text,
        one.is_limit_allowed,
    )


def _check_terms(name: str, terms: _Terms, where: str, book: SchemeBook) -> None:
    if bool(terms.scheme) != bool(terms.class_name):
        raise SettingsError(f"{name}: {where} must give scheme and class together.")
    if not terms.scheme:
        return
    if terms.scheme not in book.schemes:
        raise SettingsError(
            f"{name}: there is no scheme {terms.scheme!r}; choose from "
            f"{', '.join(sorted(book.schemes))}."
        )
    scheme = book.schemes[terms.scheme]
    names = [one.name for one in scheme.classes]
    if terms.class_name not in names:
        raise SettingsError(
            f"{name}: {terms.scheme} has no class {terms.class_name!r}; it has {', '.join(names)}."
        )
    if scheme.kind == "boxed_volume":
        raise SettingsError(
            f"{name}: {terms.scheme} needs depths that photos do not give; agree on another limit."
        )


def _check_zone(name: str, zone: AgreedZone, book: SchemeBook) -> None:
    _check_terms(name, zone, f"zone {zone.name!r}", book)
    tape = (zone.from_left_mm, zone.from_front_mm, zone.width_mm, zone.depth_mm)
    if len(zone.outline_mm) < 3 and any(value is None for value in tape):
        raise SettingsError(
            f"{name}: zone {zone.name!r} needs from_left_mm, from_front_mm, width_mm and depth_mm, "
            "or an outline_mm of three corners or more."
        )
    if zone.character and zone.has_limit:
        raise SettingsError(
            f"{name}: zone {zone.name!r} is left as character, so it cannot have a limit as well."
        )


def _say_error(message: str) -> str:
    """Turn a decoder's message into one sentence about the entry it is about."""
    text, _, at = message.partition(" - at ")
    where = re.sub(r"^\$\.?", "", at.strip("`")) or "the file"
    unknown = re.search(r"unknown field `(.+?)`", text)
    if unknown:
        known = sorted(field.encode_name for field in msgspec.structs.fields(Agreed))
        extra = f"; it knows {', '.join(known)}" if where == "the file" else ""
        return f"{unknown[1]!r} in {where} is not an entry that may stand here{extra}."
    missing = re.search(r"missing required field `(.+?)`", text)
    if missing:
        return f"{missing[1]!r} is missing in {where}."
    return f"{where} must be {_say_wanted(text)}."


def _say_wanted(text: str) -> str:
    """Say what would be right, in words of a person who writes such a file by hand."""
    words = {
        "float": "a number",
        "int": "a whole number",
        "str": "text in quotes",
        "bool": "true or false",
        "date": "a date such as 2026-03-02",
        "array": "a list",
        "object": "a table",
    }
    expected = re.search(r"[Ee]xpected `(\w+).*?`(.*)", text)
    if expected is None:
        return f"another value ({text[0].lower()}{text[1:]})"
    found = re.search(r"got `(\w+)`", text)
    limits = "" if found else expected[2].replace(" > 0.0", " above 0").replace(" >= ", " from ")
    instead = f", not {words.get(found[1], found[1])}" if found else ""
    return f"{words.get(expected[1], expected[1])}{limits}{instead}"


def _say_size(size_mm: Sequence[float]) -> str:
    return f"{size_mm[0]:g} x {size_mm[1]:g} mm window"
