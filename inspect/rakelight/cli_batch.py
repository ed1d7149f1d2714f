"""The command for many photos: a folder per slab, a pattern, an address or a manifest."""

import math
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .cli_numbers import NUMBER

if TYPE_CHECKING:
    from .batch.run import BatchResult, Progress

EXIT_CHANGE_SOMETHING = 2
TELL_EVERY_S = 0.5
TELL_EVERY_S_IN_FILE = 20.0


@click.command("batch")
@click.argument("source", metavar="FOLDER|PATTERN|ADDRESS|MANIFEST.csv")
@click.option("--out", type=click.Path(path_type=Path), default=Path("batch"), show_default=True,
              help="Folder of the summary; it remembers what is done.")  # fmt: skip
@click.option(
    "--workers",
    type=click.IntRange(1, 1024),
    help="Processes of this machine (default: one per core).",
)
@click.option(
    "--scheduler",
    default="",
    help="Address of a running Dask scheduler, such as tcp://10.0.0.5:8786.",
)
@click.option(
    "--log",
    "log_place",
    default="",
    help="Job log: a folder or postgresql://... (default: your own).",
)
@click.option(
    "--log-photos", default="", help="Folder of the log's photos; needed with PostgreSQL."
)
@click.option("--no-log", is_flag=True, help="Keep nothing in the job log.")
@click.option(
    "--scale",
    default="",
    help="For all: mm per pixel, 'card', 'marks FILE', or corners and a size.",
)
@click.option(
    "--lamp", default="", help="For all: the lamp's side, its side and angle, or 'at X,Y,H'."
)
@click.option("--job", default="", help="Name of the job (default: the folder's name).")
@click.option("--stage", default="", help="Stage of the work, such as 'after demold'.")
@click.option("--smallest", type=NUMBER, help="Smallest pit to count, mm (default 1).")
@click.option(
    "--agreed",
    type=click.Path(exists=True, dir_okay=False),
    default=None,
    help="File with what was agreed.",
)
@click.option(
    "--rates",
    type=click.Path(exists=True, dir_okay=False),
    default=None,
    help="The shop's own times and prices.",
)
def batch(source: str, out: Path, **options: Any) -> int:
    """Inspect many photos; start it again and it goes on where it stopped.

    One bad photo never stops the rest: its sentence stands in summary.csv. Pits per square metre are
    followed over the weeks in trends.csv and trends.png. docs/batch.md tells how a manifest looks.
    """
    from .batch.charts import write_trends
    from .batch.summary import make_summary, write_tables
    from .batch.trends import find_trends

    result = run_asked(source, out, options)
    summary = make_summary(result.rows)
    trends = find_trends(summary)
    written = [*write_tables(summary, trends, out), write_trends(trends, out / "trends.png")]
    for line in describe_result(result, trends):
        click.echo(line)
    click.echo("Written:\n" + "\n".join(f"  {file}" for file in written))
    if result.is_stopped:
        raise KeyboardInterrupt
    return EXIT_CHANGE_SOMETHING if result.progress.n_failed else 0


def run_asked(source: str, out: Path, options: dict[str, Any]) -> "BatchResult":
    """Return the result of the batch that the options ask for."""
    from .batch.manifest import BatchItem, list_items
    from .batch.run import choose_pool, make_order, run_batch

    said = BatchItem(
        "", job=options["job"], stage=options["stage"], scale=options["scale"], lamp=options["lamp"]
    )
    items = list_items(source, said=said)
    order = make_order(
        choose_settings(options["smallest"]),
        log="" if options["no_log"] else choose_log(options["log_place"]),
        log_photos=options["log_photos"],
        agreed=options["agreed"] or "",
        rates=options["rates"] or "",
    )
    pool = choose_pool(n_workers=options["workers"] or 0, scheduler=options["scheduler"])
    click.echo(f"{len(items)} photos, {pool.n_workers} at a time.", err=True)
    return run_batch(items, order, out, pool=pool, tell=Teller())


def choose_settings(smallest_mm: float | None) -> Any:
    """Return the settings for every photo: one thread each, the photos run side by side."""
    from .core.settings import FindSettings, Settings

    find = {"threads": 1} | ({} if smallest_mm is None else {"smallest_mm": smallest_mm})
    return Settings(find=FindSettings(**find))


def choose_log(place: str) -> str:
    """Return where the job log is: as asked, else the person's own."""
    import os

    from .log.connection import ENVIRONMENT, default_folder

    return place or os.environ.get(ENVIRONMENT) or str(default_folder())


class Teller:
    """Tells the person at the terminal how far the batch is, on one line that is written over."""

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._next = 0.0

    def __call__(self, progress: "Progress") -> None:
        now = time.monotonic()
        is_last = progress.n_settled == progress.n_items
        if now < self._next and not is_last:
            return
        self._next = now + (TELL_EVERY_S if self._is_terminal else TELL_EVERY_S_IN_FILE)
        line = describe_progress(progress)
        click.echo(
            f"\r{line}\033[K" if self._is_terminal else line,
            err=True,
            nl=not self._is_terminal or is_last,
        )


def describe_progress(progress: "Progress") -> str:
    """Return how far the batch is in one line."""
    parts = [f"{progress.n_settled} of {progress.n_items}"]
    if progress.n_known:
        parts.append(f"{progress.n_known} done before")
    if progress.n_failed:
        parts.append(f"{progress.n_failed} could not be measured")
    if progress.n_measured:
        parts.append(f"{progress.per_min:.1f} a minute")
    if math.isfinite(progress.left_s) and progress.n_settled < progress.n_items:
        parts.append(f"{describe_time(progress.left_s)} left")
    return ", ".join(parts)


def describe_time(seconds: float) -> str:
    """Return a span of time as people say it."""
    minutes = math.ceil(seconds / 60)
    if seconds < 60:
        return f"{math.ceil(seconds)} s"
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60} min"


def describe_result(result: "BatchResult", trends: Any) -> list[str]:
    """Return the answer in a few lines for the terminal."""
    progress = result.progress
    lines = [
        f"{progress.n_measured} photos measured, {progress.n_known} known from before, "
        f"{progress.n_failed} could not be measured."
    ]
    failed = [row for row in result.rows if row.sentence]
    lines += [f"  - {Path(row.item.photo).name}: {row.sentence}" for row in failed[:5]]
    if len(failed) > 5:
        lines.append(f"  - and {len(failed) - 5} more, see summary.csv")
    signals = trends[trends["signal"] != ""]
    for row in signals.itertuples():
        name = "all photos" if row.by == "all" else f"{row.by} {row.group}"
        name = f"{row.stage}, {name}" if row.stage else name
        lines.append(
            f"  ! {row.week}, {name}: {row.pits_per_m2:.0f} pits per m2 against {row.centre:.0f}; look for a cause."
        )
    return lines
