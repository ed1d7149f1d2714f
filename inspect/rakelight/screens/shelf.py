"""What the screens ask the log: jobs and slabs, where a slab stands, decisions, what was agreed."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rakelight.core.errors import LogError
from rakelight.log.connection import Log
from rakelight.log.search import Question, list_jobs, search_log, show_job

STAGES = (
    "after demold", "after honing", "after filling", "after slurry coat", "before sealing",
)  # fmt: skip
_REPAIRED_STAGES = ("after filling", "after slurry coat", "before sealing")


@dataclass(frozen=True, slots=True)
class Seat:
    """Where an inspection sits in the log: job, slab, stage, day, and its numbers to show."""

    look: str
    job: str
    slab: str
    stage: str
    day: str
    n_pits: int
    verdict: str
    largest_mm: float | None

    @property
    def title(self) -> str:
        """Return how a list names it."""
        return f"{self.stage or 'no stage said'}, {self.day}: {self.n_pits} pits"


def list_seats(log: Log, job: str) -> list[Seat]:
    """Return the inspections of a job in the order they were made; of one survey the latest only."""
    return [seat for slab in show_job(log, job)["slabs"] for seat in seats_of(slab, job)]


def seats_of(slab: Mapping[str, Any], job: str) -> list[Seat]:
    """Return the inspections of one slab as `show_job` tells it, the latest of each survey."""
    seats = []
    for survey in sorted(slab["surveys"], key=lambda survey: survey["taken_at"]):
        for found in survey["inspections"][-1:]:
            day = survey["taken_at"][:10]
            seats.append(
                Seat(found["uid"], job, slab["name"], survey["stage"], day, found["n_pits"],
                     found["verdict"], found["largest_mm"])
            )  # fmt: skip
    return seats


def find_seat(log: Log, look: str) -> Seat:
    """Return where an inspection sits; one that is not in the log is a LogError."""
    table = search_log(log, Question())
    rows = table[table["inspection"] == look]
    if rows.empty:
        raise LogError("This inspection is not in the log any more; go back to the list of jobs.")
    row = rows.iloc[0]
    found = _find_inspection(show_job(log, row["job"]), look)
    return Seat(look, row["job"], row["slab"], row["stage"], row["day"], int(row["n_pits"]),
                found["verdict"], found["largest_mm"])  # fmt: skip


def _find_inspection(job: Mapping[str, Any], look: str) -> Mapping[str, Any]:
    surveys = (survey for slab in job["slabs"] for survey in slab["surveys"])
    return next(f for survey in surveys for f in survey["inspections"] if f["uid"] == look)


def read_decisions(log: Log, look: str) -> list[dict[str, Any]]:
    """Return the decisions about an inspection that hold, oldest first."""
    job = show_job(log, find_seat(log, look).job)
    return list(_find_inspection(job, look)["decisions"])


def find_agreed(log: Log, look: str) -> str:
    """Return what was agreed for the job an inspection belongs to, as the text of agreed.toml."""
    return read_agreed_text(log, find_seat(log, look).job)


def read_agreed_text(log: Log, job: str) -> str:
    """Return what was agreed for a job, as the text of agreed.toml; empty when nothing was."""
    if not job or job not in set(list_jobs(log)["job"]):
        return ""
    return write_toml(show_job(log, job)["agreed"])


def write_toml(values: Mapping[str, Any]) -> str:
    """Return plain values as TOML: numbers, words, days, lists of numbers and lists of tables."""
    lines = [f"{name} = {_say_value(name, value)}" for name, value in values.items()
             if not _is_tables(value)]  # fmt: skip
    for name, value in values.items():
        for table in value if _is_tables(value) else ():
            lines += ["", f"[[{name}]]", write_toml(table)]
    return "\n".join(lines)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


def _say_value(name: str, value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_say_value("", part) for part in value) + "]"
    if name == "signed_on":
        return datetime.date.fromisoformat(str(value)).isoformat()
    escaped = "".join(_escape(letter) for letter in str(value))
    return f'"{escaped}"'


def _escape(letter: str) -> str:
    if letter in '"\\':
        return "\\" + letter
    return letter if ord(letter) >= 32 and ord(letter) != 127 else f"\\u{ord(letter):04x}"


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a slab stands in its work: what is done, and the one next step.

    done : names of the steps of the way that are done. step : page of the next step.
    words, button : why, and what the button says.
    """

    done: tuple[str, ...]
    step: str
    words: str
    button: str
    seat: Seat | None = None


def judge_standing(seats: list[Seat], repairs: list[Mapping[str, Any]]) -> Standing:
    """Return where a slab stands, from its inspections in order and the repairs noted for it."""
    if not seats:
        return Standing(
            (), "photos", "Nothing is measured yet. Take photos within the hour of demolding: pits "
            "are judged now, colour later.", "Take the first photos",
        )  # fmt: skip
    last = seats[-1]
    if last.verdict == "retake":
        return Standing(
            (),
            "photos",
            "The last photo must not be trusted; take it again.",
            "Take it again",
            last,
        )
    if len(seats) > 1 and last.stage in _REPAIRED_STAGES:
        return Standing(
            ("photos", "face", "plan", "repair"), "change",
            "The slab was photographed again after the repair: see what closed and what needs a refill.",
            "See before and after", last,
        )  # fmt: skip
    if repairs:
        return Standing(
            ("photos", "face", "plan", "repair"), "photos",
            "A repair is noted. Take the same photos again, lamp on the same side.",
            "Take the after photos", last,
        )  # fmt: skip
    return Standing(
        ("photos", "face"), "plan", f"{last.n_pits} pits are found and measured. Look at them, then "
        "decide what is filled, coated or left.", "Plan the repair", last,
    )  # fmt: skip
