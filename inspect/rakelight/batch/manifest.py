"""What is to be inspected: one item per photo, from a folder per slab or from a manifest.

A manifest is a CSV file whose first line names the columns `photo` and, as far as they are
known, `job, slab, stage, scale, lamp, mix, mould, day, soft_light`. `docs/batch.md` shows one.
A row that cannot be used keeps its sentence and takes its place in the summary: it never
stops the others.
"""

import csv
import dataclasses
import datetime
import io
import math
import re
from pathlib import PurePosixPath

from ..core.errors import RakelightError, ScaleError, SettingsError
from ..core.records import Lamp
from ..core.units import parse_size_mm
from ..light.lamp import build_lamp, read_side
from .storage import join_place, list_photos, name_folder, name_inside, read_bytes, split_place

COLUMNS = ("photo", "job", "slab", "stage", "scale", "lamp", "mix", "mould", "day", "soft_light")
BYTES_MAX = 64_000_000
CELL_MAX = 2000
NAME_MAX = 200
_SEPARATORS = (",", ";", "\t")
_SOFT_LIGHT = re.compile(r"soft[ _-]?light", re.IGNORECASE)
_COMMA_NUMBER = re.compile(r"(\d+),(\d+)")


@dataclasses.dataclass(frozen=True, slots=True)
class BatchItem:
    """One photo to inspect and what is said about it, as words; `trouble` says why it cannot be.

    scale, lamp : as `parse_scale` and `parse_lamp` read them. day : year-month-day or empty.
    """

    photo: str
    job: str = ""
    slab: str = ""
    stage: str = ""
    scale: str = ""
    lamp: str = ""
    mix: str = ""
    mould: str = ""
    day: str = ""
    soft_light: str = ""
    trouble: str = ""


def list_items(source: str, *, said: BatchItem = BatchItem("")) -> list[BatchItem]:
    """Return the items of a manifest (`.csv`), a folder, a pattern or an address.

    Parameters
    ----------
    source : str
        Without a manifest, the folder right above a photo names the slab; a photo that lies in
        the folder itself is a slab of its own name. Files called soft light are left aside.
    said : BatchItem
        What holds for every photo that says nothing else.

    Raises
    ------
    SettingsError
        When there is nothing to inspect, or the manifest is not one.
    """
    if PurePosixPath(source.replace("\\", "/")).suffix.lower() == ".csv":
        return read_manifest(source, said=said)
    base, photos = list_photos(source)
    photos = [photo for photo in photos if not _SOFT_LIGHT.search(split_place(photo)[1])]
    if not photos:
        raise SettingsError(f"{source} holds soft-light photos only; name raking ones.")
    return [_item_in_folder(photo, base, said) for photo in photos]


def read_manifest(place: str, *, said: BatchItem = BatchItem("")) -> list[BatchItem]:
    """Return the items of a manifest; photos are named from the manifest's own folder."""
    folder, name = split_place(place)
    data = read_bytes(place)
    if len(data) > BYTES_MAX:
        raise SettingsError(f"{name} is larger than any manifest; name the right file.")
    rows = _read_rows(data, name)
    header = [title.strip().lower() for title in rows[0]] if rows else []
    _check_header(header, name)
    items = [_item_of_row(header, row, folder, said) for row in rows[1:] if any(row)]
    if not items:
        raise SettingsError(f"{name} names no photo; add a row for each.")
    return items


def check_item(item: BatchItem) -> BatchItem:
    """Return the item, with its trouble in one sentence when its words cannot be used."""
    if item.trouble:
        return item
    try:
        parse_scale(item.scale)
        parse_lamp(item.lamp)
        parse_day(item.day)
        for title in ("job", "slab"):
            _check_name(getattr(item, title), title)
    except RakelightError as error:
        return dataclasses.replace(item, trouble=str(error))
    return item


def parse_scale(text: str) -> dict:
    """Return what `Given` takes as scale from words.

    Empty or `card`: the scale card lies on the face. `0.165`: mm per pixel. Four corners and a
    size, `366,434 2937,299 3312,2227 195,2391 600x450`. `marks FILE`: fiducials, where FILE says.
    """
    words = text.split()
    if not words or words == ["card"]:
        return {}
    if words[0] == "marks" and len(words) > 1:
        return {"marks": text.strip()[len("marks") :].strip()}
    if len(words) == 1:
        return {"mm_per_px": _read_number(words[0], text, ScaleError)}
    corners = [word.split(",") for word in words[:4]]
    if len(words) < 5 or any(len(corner) != 2 for corner in corners):
        raise ScaleError(
            f"Write the scale as mm per pixel, card, marks FILE or four corners and a size, not {text!r}."
        )
    places = tuple(
        tuple(_read_number(part, text, ScaleError, low=-1e7) for part in corner)
        for corner in corners
    )
    return {"corners_px": places, "slab_mm": parse_size_mm(" ".join(words[4:]))}


def parse_lamp(text: str) -> Lamp:
    """Return the lamp from words: empty, side (`270`, `left`), side and angle (`270 15`), place (`at 10,20,300`)."""
    is_place = text.startswith("at ")
    words = text.removeprefix("at ").replace(",", " ").split() if is_place else text.split()
    numbers = tuple(
        _read_number(word, text, SettingsError, low=-1e7) if read_side(word) is None else read_side(word)
        for word in words
    )
    if len(numbers) not in ((3,) if is_place else (0, 1, 2)):
        raise SettingsError(
            f"Write the lamp as its side, its side and angle, or `at X,Y,H`, not {text!r}."
        )
    return build_lamp(at_mm=numbers) if is_place else build_lamp(*numbers)


def parse_day(text: str) -> datetime.date | None:
    """Return the day a photo was taken, None when nothing was said."""
    if not text:
        return None
    try:
        day = datetime.date.fromisoformat(text)
    except ValueError:
        day = None
    if day is None or not 1990 <= day.year <= 2200:
        raise SettingsError(f"Write the day as year-month-day, such as 2026-11-25, not {text!r}.")
    return day


def _item_in_folder(photo: str, base: str, said: BatchItem) -> BatchItem:
    folder, name = split_place(photo)
    slab = name_inside(folder, base) or name.rpartition(".")[0]
    job = said.job or name_folder(base) or "batch"
    return check_item(dataclasses.replace(said, photo=photo, slab=slab, job=job))


def _read_rows(data: bytes, name: str) -> list[list[str]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise SettingsError(f"{name} is not UTF-8 text; save it again as CSV (UTF-8).") from None
    first = text.partition("\n")[0]
    separator = max(_SEPARATORS, key=first.count)
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error:
        raise SettingsError(f"{name} cannot be read as a table; save it again as CSV.") from None


def _check_header(header: list[str], name: str) -> None:
    if "photo" not in header:
        raise SettingsError(f"{name} has no column `photo`; name the columns in its first line.")
    unknown = [title for title in header if title not in COLUMNS]
    if unknown:
        raise SettingsError(
            f"{name} has a column {unknown[0][:40]!r} that means nothing; it may have {', '.join(COLUMNS)}."
        )
    if len(set(header)) != len(header):
        raise SettingsError(f"{name} names a column twice; keep one of them.")


def _item_of_row(header: list[str], row: list[str], folder: str, said: BatchItem) -> BatchItem:
    cells = {title: cell.strip() for title, cell in zip(header, row, strict=False) if cell.strip()}
    values = {title: getattr(said, title) for title in COLUMNS} | cells
    values = {title: value[:CELL_MAX] for title, value in values.items()}
    trouble = ""
    if len(row) != len(header):
        trouble = f"This row has {len(row)} cells and the first line {len(header)}; mend the row."
    elif any(len(cell) > CELL_MAX for cell in cells.values()):
        trouble = f"A cell of this row is longer than {CELL_MAX} letters; mend the row."
    elif not cells.get("photo") or any(not cell.isprintable() for cell in cells.values()):
        trouble = "This row names no photo or holds letters that cannot be printed; mend the row."
    else:
        for title in ("photo", "soft_light"):
            values[title] = join_place(folder, values[title]) if values[title] else ""
        values["scale"] = _place_marks(values["scale"], folder)
    values["job"] = values["job"] or "batch"
    values["slab"] = values["slab"] or split_place(values["photo"])[1].rpartition(".")[0] or "slab"
    return check_item(BatchItem(**values, trouble=trouble))


def _place_marks(scale: str, folder: str) -> str:
    """The scale words, a marks file named from the manifest's own folder."""
    word, _, name = scale.partition(" ")
    return (
        f"marks {join_place(folder, name.strip())}" if word == "marks" and name.strip() else scale
    )


def _check_name(name: str, title: str) -> None:
    if not name.strip() or len(name) > NAME_MAX or not name.isprintable():
        raise SettingsError(f"Give the {title} a name of 1 to {NAME_MAX} letters on one line.")


def _read_number(word: str, text: str, error: type[RakelightError], *, low: float = 0.0) -> float:
    comma = _COMMA_NUMBER.fullmatch(word)
    try:
        number = float(f"{comma[1]}.{comma[2]}" if comma else word)
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or number < low or abs(number) > 1e7:
        raise error(
            f"{word[:40]!r} in {text[:80]!r} is not a number that can be used; mend the cell."
        )
    return number
