"""The order of work: which steps this plan calls for, how long they take and what they wait for.

Sealing is named as a later step and is never declared ready.
"""

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from ..core.errors import SettingsError
from ..core.settings import RepairSettings
from .amounts import read_fillers, scale_wait
from .wording import read_sentences

FIRST_LIFT_SHARE = 0.5  # of the time for a pit in two lifts; our choice
WORKDAY_HOURS = (8.0, 17.0)


def list_steps(
    counts: Mapping[str, int],
    fields: Mapping[str, Sequence[str]],
    *,
    coated_m2: float,
    face_m2: float,
    settings: RepairSettings,
    test_strip: str = "",
    passes: int = 2,
) -> tuple[dict[str, Any], ...]:
    """Return the steps of the work in order, as plain mappings.

    Parameters
    ----------
    counts : pits per action; fields : names of fields per action
    coated_m2, face_m2 : area coated, area of the face, m2
    test_strip : field to hone a test strip in, or ""; passes : fills and refills in all

    Returns
    -------
    tuple of dict
        `key, title, text, done_when, fields, minutes` (hand time), `wait_min` and
        `wait_min_high` (wait after the step), `wait_reason, source, at` and `ends` (empty until
        `schedule_work` fills them).

    Errors of the answer: hand times are the shop's own guesses; waits are ranges from trade
    pages, scaled with the air temperature for filler only. A reminder, not a promise.
    """
    minutes = _step_minutes(counts, coated_m2, face_m2, settings)
    steps = []
    for step in _repeat_refills(read_sentences()["step"], passes):
        when = step.get("when", [])
        has_work = any(counts.get(name, 0) for name in when)
        has_work |= "slurry_coat" in when and coated_m2 > 0
        if (when and not has_work) or (step["key"] == "test_strip" and not test_strip):
            continue
        low, high, reason = _step_wait(step, settings)
        steps.append(
            {
                "key": step["key"],
                "title": step["title"],
                "text": step["text"],
                "done_when": step["done_when"],
                "fields": _step_fields(step["key"], when, fields, test_strip),
                "minutes": minutes[step["key"]],
                "wait_min": low,
                "wait_min_high": high,
                "wait_reason": reason,
                "source": step["source"],
                "at": "",
                "ends": "",
            }
        )
    return tuple(steps)


def schedule_work(
    order: Sequence[Mapping[str, Any]],
    demolded_at: datetime.datetime | datetime.date,
    *,
    workday_hours: tuple[float, float] = WORKDAY_HOURS,
) -> tuple[dict[str, Any], ...]:
    """Return the steps with clock times from the time of demolding on (local time, ISO).

    Work falls into working hours only; waits run day and night. The shorter wait is used.

    Errors of the answer: waits are the shortest usual ones, so a step may start later, not
    earlier; the job card and the product's sheet win.
    """
    start_h, end_h = workday_hours
    if not 0 <= start_h < end_h <= 24:
        raise SettingsError(
            "Working hours must run from an earlier to a later hour, such as 8 to 17."
        )
    if not isinstance(demolded_at, datetime.datetime):
        demolded_at = datetime.datetime.combine(demolded_at, datetime.time()) + _hours(start_h)
    now, scheduled = demolded_at, []
    for step in order:
        begins = _next_work_time(now, workday_hours)
        ends = _add_work(begins, float(step["minutes"]), workday_hours)
        scheduled.append(
            dict(step)
            | {
                "at": begins.isoformat(timespec="minutes"),
                "ends": ends.isoformat(timespec="minutes"),
            }
        )
        now = ends + datetime.timedelta(minutes=float(step["wait_min"]))
    return tuple(scheduled)


def _repeat_refills(steps: Sequence[Mapping[str, Any]], passes: int) -> list[Mapping[str, Any]]:
    """The look and the refill come once per pass after the first."""
    again = [step for step in steps if step["key"] in ("look", "refill")]
    repeated: list[Mapping[str, Any]] = []
    for step in steps:
        repeated.append(step)
        if step["key"] == "refill":
            repeated += again * (passes - 2)
    return repeated if passes > 1 else [step for step in steps if step["key"] != "refill"]


def _step_fields(
    key: str, when: Sequence[str], fields: Mapping[str, Sequence[str]], test_strip: str
) -> list[str]:
    if key == "test_strip":
        return [test_strip]
    return list(dict.fromkeys(name for action in when for name in fields.get(action, ())))


def _step_minutes(
    counts: Mapping[str, int], coated_m2: float, face_m2: float, settings: RepairSettings
) -> dict[str, float]:
    place = settings.placing_share
    large = counts.get("fill_two_lifts", 0) * settings.two_lifts_min_per_pit
    small = counts.get("fill", 0) * settings.fill_min_per_pit
    coat = coated_m2 * settings.coat_min_per_m2
    setup = settings.coat_setup_min if coated_m2 > 0 else 0.0
    one_grit = face_m2 * settings.hone_min_per_m2
    still_open = 1 - settings.closed_per_pass
    return {
        "test_patch": settings.patch_min,
        "test_strip": settings.test_strip_min,
        "repairs": counts.get("repair_by_eye", 0) * settings.repair_min_per_void,
        "first_lift": large * place * FIRST_LIFT_SHARE,
        "second_lift": large * place * (1 - FIRST_LIFT_SHARE),
        "hone": one_grit,
        "coat": coat * place + setup,
        "fill": small * place,
        "cut_back": (large + small + coat) * (1 - place),
        "look": settings.look_min,
        "refill": (large + small + coat) * still_open,
        "final_grit": one_grit,
        "checklist": 0.0,
    }


def _step_wait(step: Mapping[str, Any], settings: RepairSettings) -> tuple[float, float, str]:
    if step.get("wait") == "set":
        filler = read_fillers().filler[settings.filler]
        low, high = (scale_wait(minutes, settings.air_celsius) for minutes in filler.set_min)
        caution = read_fillers().caution["temperature"]
        return low, high, f"Set of {filler.title} at {settings.air_celsius:g} C. {caution}"
    low, high = step.get("wait_min", (0.0, 0.0))
    return low, high, step.get("wait_reason", "")


def _hours(hours: float) -> datetime.timedelta:
    return datetime.timedelta(hours=hours)


def _next_work_time(
    now: datetime.datetime, workday_hours: tuple[float, float]
) -> datetime.datetime:
    midnight = datetime.datetime.combine(now.date(), datetime.time())
    opens, closes = midnight + _hours(workday_hours[0]), midnight + _hours(workday_hours[1])
    if now < opens:
        return opens
    return now if now < closes else opens + _hours(24)


def _add_work(
    begins: datetime.datetime, minutes: float, workday_hours: tuple[float, float]
) -> datetime.datetime:
    now, left = begins, datetime.timedelta(minutes=minutes)
    while left > datetime.timedelta(0):
        now = _next_work_time(now, workday_hours)
        closes = datetime.datetime.combine(now.date(), datetime.time()) + _hours(workday_hours[1])
        done = min(left, closes - now)
        now, left = now + done, left - done
    return now
