"""When a photo was taken: one reading of the camera's clock for command, batch, screens, log and pages.

It stands in core because report prints the day, and batch, screens and commands hand it to the log.
"""

import datetime
from collections.abc import Iterable, Mapping
from typing import Any

_NAMES = ("taken_at", "DateTimeOriginal", "DateTime")
_EXIF_TIME = "%Y:%m:%d %H:%M:%S"
_YEARS = range(1990, 2201)  # a clock that was never set says 1970 or 1980


def read_clock(photos: Iterable[Mapping[str, Any]]) -> datetime.datetime | None:
    """Return when the first photo that says so was taken, as the camera's own clock showed it.

    Parameters
    ----------
    photos : mappings
        As `Inspection.photos` holds them, with `exif`.

    Returns
    -------
    datetime or None
        None when no photo says it, or only a moment that cannot be.

    Errors of the answer: those of the camera's clock, which may stand an hour or a year off.
    """
    for photo in photos:
        exif = photo.get("exif") or {}
        for name in _NAMES:
            moment = _parse(photo.get(name) or exif.get(name))
            if moment is not None:
                return moment
    return None


def settle_moment(
    photos: Iterable[Mapping[str, Any]], day: datetime.date | None = None
) -> datetime.datetime | None:
    """Return the moment of a survey for the log, aware of this computer's time zone; None when not known.

    day : said by a person; beats a camera that says another day, and stands for its noon then.
    """
    moment = read_clock(photos)
    if day is not None and (moment is None or moment.date() != day):
        moment = datetime.datetime.combine(day, datetime.time(12))
    return None if moment is None else moment.astimezone()


def _parse(text: Any) -> datetime.datetime | None:
    word = str(text or "").strip()
    for parse in (_parse_exif, datetime.datetime.fromisoformat):
        try:
            moment = parse(word)
        except ValueError:
            continue
        return moment if moment.year in _YEARS else None
    return None


def _parse_exif(word: str) -> datetime.datetime:
    return datetime.datetime.strptime(word[:19], _EXIF_TIME)
