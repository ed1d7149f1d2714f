"""Jobs and tables of the log as lines for the terminal."""

import sys
from typing import TYPE_CHECKING, Any

from .cli_log import NUMBER_LETTERS

if TYPE_CHECKING:
    import pandas as pd

WIDTH_MAX = 34
SHOWN = {
    "job": "job", "client": "client", "site": "site", "slab": "slab", "n_slabs": "slabs",
    "n_surveys": "surveys", "last_stage": "last stage", "stage": "stage", "last_day": "day",
    "day": "day", "zone": "zone", "mix": "mix", "n_pits": "pits", "largest_mm": "largest mm",
    "n_reopened": "reopened", "inspection": "number",
}  # fmt: skip
"""Columns of a list as a person reads them; a CSV holds all columns."""


def count(n: int, noun: str) -> str:
    """Return a number with its noun, such as 1 job or 3 jobs."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def tell_table(table: "pd.DataFrame", columns: tuple, *, as_csv: bool, empty: str) -> str:
    """Return a table of the log as lines, or as CSV with every column."""
    if as_csv:
        from .core.tables import format_csv

        return format_csv(table, columns).rstrip("\n")
    if table.empty:
        return empty
    names = [c.name for c in columns if c.name in SHOWN and not _is_blank(table[c.name])]
    rows = [[SHOWN[name] for name in names]]
    for row in table[names].itertuples(index=False):
        rows.append([_say(name, value) for name, value in zip(names, row, strict=True)])
    widths = [max(len(row[i]) for row in rows) for i in range(len(names))]
    is_number = [
        table[name].dtype.kind in "iuf" or str(table[name].dtype) == "Int64" for name in names
    ]
    lines = [
        "  ".join(
            c.rjust(w) if n else c.ljust(w) for c, w, n in zip(row, widths, is_number, strict=True)
        )
        for row in rows
    ]
    return "\n".join(line.rstrip() for line in lines)


def _is_blank(values: "pd.Series") -> bool:
    """A column that says nothing in any row; names and numbers of pits are always shown."""
    if values.name == "n_reopened":
        return not (values > 0).any()
    return values.name in ("client", "site", "zone", "mix") and not (values != "").any()


def _say(name: str, value: Any) -> str:
    if name == "inspection":
        return str(value)[:NUMBER_LETTERS]
    if value is None or str(value) in ("nan", "<NA>"):
        return "-"
    if isinstance(value, float):
        return f"{value:.1f}"
    text = str(value)
    return text if len(text) <= WIDTH_MAX else text[: WIDTH_MAX - 3] + "..."


def tell_job(job: dict[str, Any]) -> str:
    """Return one job as `show_job` gives it, as lines."""
    lines = [f"{job['name']}  ({job['uid'][:NUMBER_LETTERS]})"]
    lines += [f"  {name}: {job[name]}" for name in ("client", "site", "words") if job[name]]
    if job["agreed"]:
        lines.append("  agreed: " + ", ".join(f"{k} {v}" for k, v in job["agreed"].items()))
    for slab in job["slabs"]:
        lines += _tell_slab(slab)
    for trial in job["trials"]:
        lines.append(
            f"  trial {_day(trial['made_at'])}: {trial['result'] or trial['recipe']}{_by(trial)}"
        )
    for note in job["notes"]:
        lines.append(f"  note {_day(note['made_at'])}: {note['text']}{_by(note)}")
    return "\n".join(lines)


def _tell_slab(slab: dict[str, Any]) -> list[str]:
    size = (
        f", {slab['width_mm']:.0f} x {slab['height_mm']:.0f} mm"
        if slab["width_mm"] and slab["height_mm"]
        else ""
    )
    lines = [f"  slab {slab['name']}{size}"]
    for zone in slab["zones"]:
        parts = [f"mix {zone['mix']}" if zone["mix"] else "", f"batch {zone['batch']}" if zone["batch"] else "",
                 f"poured {_day(zone['poured_at'])}" if zone["poured_at"] else "",
                 f"{zone['air_c']:g} C" if zone["air_c"] is not None else "", zone["note"]]  # fmt: skip
        lines.append(f"    zone {zone['name']}: " + ", ".join(filter(None, parts)))
    events = [(s["taken_at"], _tell_survey(s)) for s in slab["surveys"]]
    events += [(r["done_at"], [_tell_repair(r)]) for r in slab["repairs"]]
    for _, told in sorted(events, key=lambda event: event[0]):
        lines += told
    return lines


def _tell_survey(survey: dict[str, Any]) -> list[str]:
    head = f"    {_day(survey['taken_at'])} {survey['stage'] or 'no stage said'}"
    if survey["age_days"] is not None:
        head += f", {survey['age_days']:.0f} days old"
    photos = ", ".join(photo["name"] for photo in survey["photos"])
    lines = [head + (f" ({photos})" if photos else "")]
    for found in survey["inspections"]:
        largest = "" if found["largest_mm"] is None else f", largest {found['largest_mm']:.1f} mm"
        lines.append(
            f"      {found['uid'][:NUMBER_LETTERS]}  {count(found['n_pits'], 'pit')}{largest}, photo {found['verdict']}"
        )
        if found["decisions"]:
            lines.append(f"        {count(len(found['decisions']), 'decision')} by people")
        for change in found["comparisons"]:
            counts = ", ".join(
                f"{change[f'n_{state}']} {state}"
                for state in ("closed", "dished", "open", "new", "unseen")
            )
            again = f", {change['n_reopened']} opened again" if change["n_reopened"] else ""
            lines.append(f"        against the survey before: {counts}{again}")
    return lines


def _tell_repair(repair: dict[str, Any]) -> str:
    parts = [
        f"{repair['n_pits']} pits" if repair["n_pits"] is not None else "",
        f"{repair['area_m2']:g} m2" if repair["area_m2"] is not None else "",
        f"{repair['grams']:g} g" if repair["grams"] is not None else "",
        f"{repair['minutes']:g} min" if repair["minutes"] is not None else "",
        repair["material"], repair["note"],
    ]  # fmt: skip
    told = ", ".join(filter(None, parts))
    return f"    {_day(repair['done_at'])} done: {repair['action']}{', ' + told if told else ''}{_by(repair)}"


def tell_history(lines: list[dict[str, Any]]) -> str:
    """Return the lines of a history: number, when, who, what, and what changed from what to what."""
    return "\n".join(_tell_change(line) for line in lines) or "Nothing was written yet."


def _tell_change(line: dict[str, Any]) -> str:
    arrow = choose_arrow(sys.stdout.encoding or "utf-8")
    changed = [
        f"{name.replace('_', ' ')}: {say_value(line['before'].get(name))} {arrow} {say_value(value)}"
        for name, value in line["after"].items()
        if line["what"] in ("correct", "undo") and line["before"].get(name) != value
    ]
    why = f" ({line['why']})" if line["why"] else ""
    told = f": {'; '.join(changed)}" if changed else ""
    return (
        f"{line['uid'][:NUMBER_LETTERS]}  {line['made_at'][:16].replace('T', ' ')}  {line['what']} "
        f"{line['kind'].replace('_', ' ')}{told}{why}{_by(line)}"
    )


def choose_arrow(encoding: str) -> str:
    """Return an arrow that the terminal, or the file behind it, can write."""
    try:
        "→".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return "->"
    return "→"


def say_value(value: Any) -> str:
    """Return a kept value in words: nothing, yes, no, a number, a list."""
    if value is None or value in ("", {}, []):
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, dict):
        return ", ".join(f"{name} {say_value(part)}" for name, part in value.items())
    if isinstance(value, list):
        return ", ".join(map(say_value, value))
    return str(value)


def _by(row: dict[str, Any]) -> str:
    return f" [{row['who']}]" if row["who"] else ""


def _day(moment: str | None) -> str:
    """The day of a moment as the person's clock shows it."""
    if not moment:
        return ""
    from datetime import datetime

    return datetime.fromisoformat(moment).astimezone().strftime("%Y-%m-%d")
