"""The command that holds two surveys of one face against each other: did the repair work?"""

from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .cli_log import NUMBER_LETTERS, find_empty_place, log_options, open_asked
from .core.errors import CompareError

if TYPE_CHECKING:
    import pandas as pd

    from .core.records import Comparison, Inspection
    from .log.connection import Log

EXIT_DO_NOT_TRUST = 3


@dataclass(frozen=True, slots=True)
class Named:
    """A survey that a person named: its record, and its uid when it stands in the log."""

    inspection: "Inspection"
    uid: str = ""


@click.command("compare")
@click.argument("before")
@click.argument("after")
@click.option(
    "--soft-light",
    type=click.Path(path_type=Path),
    help="Soft-light photo from the after photo's place: which patches read as spots.",
)
@click.option("--units", type=click.Choice(["mm", "in"]), default="mm", show_default=True)
@click.option("--out", type=click.Path(path_type=Path), default=Path("change"), show_default=True)
@click.option(
    "--no-log", is_flag=True, help="Do not keep the comparison of two surveys of the log."
)
@click.option("--who", default="", help="Who does this; kept in the history.")
@log_options
def compare(before: str, after: str, **options: Any) -> int:
    """Say of every pit what became of it between two surveys of the same face.

    BEFORE and AFTER are folders that `inspect` wrote, or surveys of the job log: job/slab/stage, or the
    number from `rakelight jobs show`. Camera place and lamp may differ.
    """
    with open_if_needed(before, after, options) or nullcontext() as log:
        return compare_named_surveys(before, after, log, options)


def compare_named_surveys(
    before: str, after: str, log: "Log | None", options: dict[str, Any]
) -> int:
    """Compare, write and tell; return the exit code."""
    from .core.settings import Settings
    from .inspection import change_settings
    from .report.comparison import write_comparison

    first, second = (find_survey(name, log) for name in (before, after))
    if first.uid and first.uid == second.uid:
        raise CompareError("BEFORE and AFTER are the same survey; name two.")
    say("laying one plan over the other")
    change = compare_named(first, second, options["soft_light"])
    lines = follow_lines(log, second)
    say("writing the pictures and the pages")
    settings = change_settings(Settings(), report={"units": options["units"]})
    files = write_comparison(
        change,
        first.inspection,
        second.inspection,
        options["out"],
        settings=settings.report,
        lines=lines,
    )
    click.echo("\n".join(tell_change(change)))
    click.echo("Written:\n" + "\n".join(f"  {file}" for file in files))
    if log is not None and first.uid and second.uid and not options["no_log"]:
        click.echo(keep_change(log, change, first, second, lines, who=options["who"]))
    return EXIT_DO_NOT_TRUST if second.inspection.quality.verdict == "retake" else 0


def say(step: str) -> None:
    """Tell the person at the terminal what is being done."""
    click.echo(f"  {step} ...", err=True)


def open_if_needed(before: str, after: str, options: dict[str, Any]) -> "Log | None":
    """Return the log when one of the two is not a folder; it is not made when there is none."""
    if all(Path(name).is_dir() for name in (before, after)):
        return None
    for name in (before, after):  # a mistyped path is told as a path
        if not Path(name).is_dir() and (
            Path(name).exists() or name.startswith((".", "/", "~", "\\"))
        ):
            raise CompareError(
                f"{name} is not a folder; name one that `inspect` wrote, or a survey of the log."
            )
    if (path := find_empty_place(options["log_place"])) is not None:
        missing = " or ".join(name for name in (before, after) if not Path(name).is_dir())
        raise CompareError(
            f"There is no folder {missing}, and no job log in {path}; name folders that `inspect` wrote, or"
            " the log with --log."
        )
    return open_asked(options["log_place"], options["log_photos"])


def find_survey(name: str, log: "Log | None") -> Named:
    """Return the survey that a person named: a folder first, else one of the log."""
    if log is None or Path(name).is_dir():
        from .report.record import read_record

        return Named(read_record(name))
    from .log.search import find_inspection
    from .log.store import load_inspection

    uid = find_inspection(log, name)
    return Named(load_inspection(log, uid, is_decided=True), uid)


def compare_named(first: Named, second: Named, soft_light: Path | None) -> "Comparison":
    """Return the comparison, with the tones of the patches when a soft-light photo shows them."""
    from .compare.change import compare_surveys

    before, after = first.inspection, second.inspection
    change = compare_surveys(before, after)
    if soft_light is None:
        return change
    from .compare.tones import measure_tones

    return compare_surveys(before, after, tones=measure_tones(change, after, soft_light))


def follow_lines(log: "Log | None", second: Named) -> "pd.DataFrame | None":
    """Return the life lines over all surveys of the slab, when the log holds three or more."""
    if log is None or not second.uid:
        return None
    from .compare.life import trace_life_lines
    from .log.search import list_series
    from .log.store import load_inspection

    series = list_series(log, second.uid)
    if len(series) < 3:
        return None
    say(f"following every pit over {len(series)} surveys")
    return trace_life_lines([load_inspection(log, uid, is_decided=True) for uid in series])


def keep_change(
    log: "Log",
    change: "Comparison",
    first: Named,
    second: Named,
    lines: "pd.DataFrame | None",
    *,
    who: str,
) -> str:
    """Keep a comparison in the log and return the sentence that says so."""
    from .log.store import save_comparison

    n_reopened = 0
    if lines is not None:
        n_reopened = int(lines.loc[lines["survey"] == lines["survey"].max(), "is_reopened"].sum())
    uid = save_comparison(
        log, change, before_uid=first.uid, after_uid=second.uid, n_reopened=n_reopened, who=who
    )
    again = f" {n_reopened} fills are open again." if n_reopened else ""
    return f"Kept in the job log as {uid[:NUMBER_LETTERS]}.{again}"


def tell_change(change: "Comparison") -> list[str]:
    """Return the answer in a few lines for the terminal."""
    figures = change.figures
    lines = [figures["sentence"]]
    n_unseen = figures["counts"]["unseen"]
    if n_unseen:
        lines.append(
            f"{n_unseen} could not be seen in one of the two photos: nothing is claimed of them."
        )
    for grade in figures["grades"]:
        lines.append(f"{grade['title']}: class {grade['before']} before, {grade['after']} after.")
    if figures["refill"]:
        lines.append(
            f"Work again: {len(figures['refill'])} places, in change.csv; the later work sheet says how."
        )
    if figures["spots"]:
        lines.append(f"Read as spots beside their surroundings: {len(figures['spots'])} patches.")
    lines += [f"  - {note}" for note in change.notes]
    lines += [f"  ! {warning}" for warning in change.warnings]
    return lines
