"""What several commands need of the job log: where it lies, and keeping an inspection in it."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .core.clock import settle_moment
from .core.errors import LogError

if TYPE_CHECKING:
    from .core.records import Inspection
    from .log.connection import Log

LOOSE_SLAB = "slab"
NUMBER_LETTERS = 10
"""So many letters of a record's uid are shown; six and more name it."""


def log_options(command: Callable) -> Callable:
    """Give a command --log and --log-photos."""
    photos = click.option(
        "--log-photos",
        default="",
        help="Folder of the log's photos; needed with PostgreSQL (default: $RAKELIGHT_LOG_PHOTOS).",
    )
    place = click.option(
        "--log",
        "log_place",
        default="",
        help="Job log: a folder, a .sqlite file or postgresql://... (default: $RAKELIGHT_LOG, else your own).",
    )
    return place(photos(command))


def open_asked(place: str, photos: str, *, may_start: bool = False) -> "Log":
    """Return the log that the options name; a place without one is one sentence, unless it may be started."""
    from .log.connection import open_log

    if not may_start and (path := find_empty_place(place)) is not None:
        raise LogError(
            f"There is no job log in {path}; name its place with --log, or start one there with"
            " `rakelight jobs add JOB`."
        )
    return open_log(place or None, photos=photos or None)


def find_empty_place(place: str) -> Path | None:
    """Return where the log would lie when there is none yet; None when there is one, or on a server."""
    from .log.connection import FILE_NAME, find_place

    if "://" in (where := find_place(place or None)):
        return None
    path = Path(where).expanduser()
    file = path if path.suffix in (".sqlite", ".db") else path / FILE_NAME
    return None if file.is_file() else path


def open_for_job(options: dict[str, Any]) -> "Log | None":
    """Return the log that an inspection of a job goes into; None without a job or with --no-log.

    Called before anything is measured, so that a wrong place is told at once.
    """
    is_asked = bool(options["log_place"] or options["log_photos"])
    if options["no_log"] and is_asked:
        raise LogError("Give --log or --no-log, not both.")
    if not options["job"] and is_asked:
        raise LogError("Say with --job which job of the log the inspection belongs to.")
    if options["no_log"] or not options["job"]:
        return None
    return open_asked(options["log_place"], options["log_photos"], may_start=True)


def tell_kept(
    log: "Log | None", inspection: "Inspection", photos: Sequence[Path], options: dict[str, Any]
) -> None:
    """Keep an inspection with its photos in the log, when there is one, and say so."""
    if log is None:
        return
    soft_light = options["soft_light"]
    inspection = name_soft_light(inspection, soft_light)
    with log:
        uid = keep_inspection(
            log, inspection, options["job"], photos=[*photos, *([soft_light] if soft_light else [])]
        )
    click.echo(f"Kept in the job log {log.title} as {uid[:NUMBER_LETTERS]}.")


def keep_inspection(
    log: "Log",
    inspection: "Inspection",
    job: str,
    *,
    slab: str = "",
    stage: str = "",
    photos: Sequence[Path] = (),
    who: str = "",
) -> str:
    """Return the uid of an inspection kept in the log with its photos; what is not said is read from it."""
    from .log.store import SurveyPlace, save_inspection

    told = inspection.job
    place = SurveyPlace(
        job,
        slab or told.get("slab", "") or LOOSE_SLAB,
        stage or told.get("stage", ""),
        taken_at=settle_moment(inspection.photos),
    )
    return save_inspection(log, inspection, place, photos=photos, who=who)


def name_soft_light(inspection: "Inspection", soft_light: Path | None) -> "Inspection":
    """Return the inspection with its soft-light photo among its photos, so that the log keeps it."""
    from dataclasses import replace

    from .log.photos import hash_file

    if soft_light is None:
        return inspection
    sha256 = hash_file(soft_light)
    if sha256 in {photo.get("sha256") for photo in inspection.photos}:
        return inspection
    photo = {"name": soft_light.name, "kind": "soft", "sha256": sha256}
    return replace(inspection, photos=(*inspection.photos, photo))
