"""The order of work as a calendar file that phones and calendars open."""

import datetime
import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

from ..core.errors import SettingsError

LINE_BYTES = 75


def write_calendar(order: Sequence[Mapping[str, Any]], *, title: str) -> str:
    """Return the scheduled steps as the text of an `.ics` file, one event per step.

    Times are local times without a zone, as on the shop's wall clock. The same order gives
    the same text, so that a calendar updates its events instead of doubling them.

    Source: RFC 5545 (iCalendar), from memory.
    """
    if any(not step.get("at") for step in order):
        raise SettingsError("Give the date of demolding first: the steps have no clock times yet.")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//rakelight//order of work//EN"]
    for number, step in enumerate(order, start=1):
        lines += _event(number, step, title)
    lines.append("END:VCALENDAR")
    return "".join(_fold(line) + "\r\n" for line in lines)


def _event(number: int, step: Mapping[str, Any], title: str) -> list[str]:
    begins, ends = (datetime.datetime.fromisoformat(step[key]) for key in ("at", "ends"))
    ends = max(ends, begins + datetime.timedelta(minutes=15))
    key = hashlib.sha256(f"{title}/{step['key']}".encode()).hexdigest()[:20]
    wait = _say_wait(float(step["wait_min"]), float(step["wait_min_high"]))
    fields = f" Fields: {', '.join(step['fields'])}." if step["fields"] else ""
    text = f"{step['text']}{fields} Done when: {step['done_when']} {wait}".strip()
    return [
        "BEGIN:VEVENT",
        f"UID:{key}@rakelight",
        f"DTSTAMP:{begins:%Y%m%dT%H%M%S}Z",
        f"DTSTART:{begins:%Y%m%dT%H%M%S}",
        f"DTEND:{ends:%Y%m%dT%H%M%S}",
        "SUMMARY:" + _escape(f"{number}. {step['title']} ({title})"),
        "DESCRIPTION:" + _escape(text),
        "END:VEVENT",
    ]


def _say_wait(low_min: float, high_min: float) -> str:
    if high_min <= 0:
        return ""
    low, high = _say_time(low_min), _say_time(high_min)
    return f"Then wait {low}." if low == high else f"Then wait {low} to {high}."


def _say_time(minutes: float) -> str:
    if minutes < 90:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.3g} h" if minutes <= 1440 else f"{minutes / 1440:.2g} days"


def _escape(text: str) -> str:
    for mark in ("\\", ";", ","):
        text = text.replace(mark, "\\" + mark)
    return text.replace("\n", "\\n")


def _fold(line: str) -> str:
    """Fold at 75 bytes without cutting a letter in two."""
    parts, part = [], ""
    for letter in line:
        room = LINE_BYTES if not parts else LINE_BYTES - 1
        if len((part + letter).encode()) > room:
            parts.append(part)
            part = ""
        part += letter
    return "\r\n ".join([*parts, part])
