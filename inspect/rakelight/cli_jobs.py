"""The commands of the job log: what jobs there are, one job whole, in, out, away and back."""

import datetime
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .cli_log import keep_inspection, log_options, open_asked
from .cli_numbers import NUMBER
from .cli_words import count, tell_history, tell_job, tell_table
from .core.errors import LogError, SettingsError

if TYPE_CHECKING:
    from .log.connection import Log

EXIT_CHANGE_SOMETHING = 2


@click.group("jobs")
def jobs() -> None:
    """The job log: list, show, add, export, import and check jobs; nothing written is ever lost."""


def who_option(command):
    """Give a command --who."""
    return click.option("--who", default="", help="Who does this; kept in the history.")(command)


@jobs.command("list")
@click.argument("words", nargs=-1)
@click.option("--zone", default="", help="Surveys with pits in the zone of this name.")
@click.option("--mix", default="", help="Surveys of slabs cast with this mix (part of its name).")
@click.option("--month", default="", help="Surveys of this month, such as 2026-11.")
@click.option("--size", type=NUMBER, help="Surveys that found a pit at least so large, mm.")
@click.option("--stage", default="", help="Surveys at this stage (part of its name).")
@click.option(
    "--reopened", "is_reopened", is_flag=True, help="Surveys that found fills open again."
)
@click.option("--away", is_flag=True, help="Jobs that were put away instead.")
@click.option("--csv", "as_csv", is_flag=True, help="Print as CSV, with every column.")
@log_options
def list_command(words: tuple[str, ...], log_place: str, log_photos: str, **asked: Any) -> int:
    """List the jobs, the latest first; WORDS look in names, clients, sites, words and notes.

    With --zone, --mix, --month, --size, --stage or --reopened the surveys that answer are listed.
    """
    from .core.records import FOUND_COLUMNS, JOB_COLUMNS
    from .log.search import Question, list_jobs, search_jobs, search_log

    is_deleted, as_csv = asked.pop("away"), asked.pop("as_csv")
    size_mm = asked.pop("size")
    if size_mm is not None and not (math.isfinite(size_mm) and size_mm >= 0):
        raise SettingsError("Give --size as millimetres, such as 5.")
    with open_asked(log_place, log_photos) as log:
        if any(asked.values()) or size_mm is not None:
            question = Question(job=" ".join(words), min_size_mm=size_mm, **asked)
            table, columns = search_log(log, question), FOUND_COLUMNS
        else:
            table, columns = list_jobs(log, is_deleted=is_deleted), JOB_COLUMNS
            if words:
                names = search_jobs(log, " ".join(words), is_deleted=is_deleted)
                table = table[table["uid"].isin(names)]
        click.echo(
            tell_table(table, columns, as_csv=as_csv, empty=f"Nothing found in {log.title}.")
        )
    return 0


@jobs.command("show")
@click.argument("job")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--history", "has_history", is_flag=True, help="Print every change, with its number.")
@log_options
def show_command(
    job: str, as_json: bool, has_history: bool, log_place: str, log_photos: str
) -> int:
    """Show one job: slabs, surveys, repairs, decisions, trials and notes."""
    from .log.history import list_history
    from .log.search import show_job

    with open_asked(log_place, log_photos) as log:
        told = show_job(log, job)
        lines = list_history(log, job_uid=told["uid"]) if has_history else []
    if as_json:
        click.echo(
            json.dumps(
                {**told, "history": lines} if has_history else told, indent=1, ensure_ascii=False
            )
        )
        return 0
    click.echo(tell_history(lines) if has_history else tell_job(told))
    return 0


@jobs.command("add")
@click.argument("job")
@click.argument("folders", nargs=-1, type=click.Path(path_type=Path), metavar="[FOLDER]...")
@click.option("--client", help="For whom.")
@click.option("--site", help="Where.")
@click.option("--words", help="What the client said, in their own words.")
@click.option("--agreed", type=click.Path(path_type=Path), help="File with what was agreed.")
@click.option(
    "--slab-name", default="", help="Name of a slab: added when it is new, and where folders go."
)
@click.option("--slab", "size", help="Its size, such as 2400x700 (mm) or '8ft x 28in'.")
@click.option(
    "--stage", default="", help="Stage of the surveys in the folders, when they do not say it."
)
@click.option(
    "--photo",
    "photos",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Photo to keep beside its folder.",
)
@who_option
@log_options
def add_command(
    job: str, folders: tuple[Path, ...], log_place: str, log_photos: str, **said: Any
) -> int:
    """Add a job, a slab of it, or inspections: FOLDERs that `inspect` wrote."""
    from .log.search import has_job

    records = read_folders(folders)
    check_photos([inspection for _, inspection in records], said["photos"])
    values = read_job_values(said)
    with open_asked(log_place, log_photos, may_start=True) as log:
        is_new = not has_job(log, job)
        if not is_new and not (values or folders or said["slab_name"]):
            raise LogError(f"There is a job {job!r} already; say what to add to it.")
        add_words(log, job, values, is_new=is_new, who=said["who"])
        if said["slab_name"]:
            add_slab_once(log, job, said["slab_name"], said["size"], who=said["who"])
        for folder, inspection in records:
            uid = keep_inspection(
                log, inspection, job, slab=said["slab_name"], stage=said["stage"],
                photos=[photo for photo in said["photos"] if is_of(inspection, photo)], who=said["who"],
            )  # fmt: skip
            click.echo(f"{folder}: kept as {uid[:10]}.")
        click.echo(f"Job {job!r} {'added to' if is_new else 'stands in'} {log.title}.")
    return 0


def read_folders(folders: tuple[Path, ...]) -> list[tuple[Path, Any]]:
    """Return each folder with its record; one that holds none is an error before anything is kept."""
    if not folders:
        return []
    from .report.record import read_record

    return [(folder, read_record(folder)) for folder in folders]


def read_job_values(said: dict[str, Any]) -> dict[str, Any]:
    """Return what was said about the job itself, what was agreed checked and as plain values."""
    values = {name: said[name] for name in ("client", "site", "words") if said[name] is not None}
    if said["agreed"] is not None:
        import tomllib

        from .core.tables import to_plain
        from .grade.agreed import read_agreed

        read_agreed(said["agreed"])
        values["agreed"] = to_plain(tomllib.loads(said["agreed"].read_text(encoding="utf-8")))
    return values


def add_words(log: "Log", job: str, values: dict[str, Any], *, is_new: bool, who: str) -> None:
    """Add the job, or set what was said about one that is there; what stood there stays in the history."""
    from .log.history import correct_record
    from .log.search import show_job
    from .log.store import add_job

    if is_new:
        add_job(log, job, who=who, **values)
    elif values:
        correct_record(log, "job", show_job(log, job)["uid"], values, who=who)


def add_slab_once(log: "Log", job: str, name: str, size: str | None, *, who: str) -> None:
    """Add a slab unless the job has it."""
    from .core.units import parse_size_mm
    from .log.search import show_job
    from .log.store import add_slab

    if name in {slab["name"] for slab in show_job(log, job)["slabs"]}:
        return
    width_mm, height_mm = parse_size_mm(size) if size else (None, None)
    add_slab(log, job, name, who=who, width_mm=width_mm, height_mm=height_mm)


def check_photos(inspections: list[Any], photos: tuple[Path, ...]) -> None:
    """Raise an error that names the first photo that belongs to none of the inspections."""
    for photo in photos:
        if not inspections:
            raise LogError(
                f"{photo} has no folder to go with; name the folder that `inspect` wrote too."
            )
        if not any(is_of(inspection, photo) for inspection in inspections):
            raise LogError(
                f"{photo} was inspected for none of the folders; name its folder too, or leave it out."
            )


def is_of(inspection: Any, photo: Path) -> bool:
    """Whether a photo is one of those that were inspected."""
    from .log.photos import hash_file

    if not photo.is_file():
        raise LogError(f"There is no photo {photo}; name the file that was inspected.")
    return hash_file(photo) in {entry.get("sha256") for entry in inspection.photos}


@jobs.command("zone")
@click.argument("job")
@click.argument("slab_name")
@click.argument("zone")
@click.option("--mix", help="Name of the mix.")
@click.option("--batch", help="Number of the batch.")
@click.option(
    "--poured",
    "poured_at",
    type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M"]),
    help="When it was poured.",
)
@click.option("--air", "air_c", type=NUMBER, help="Temperature of the air, degrees C.")
@click.option("--note", help="Anything else.")
@who_option
@log_options
def zone_command(
    job: str, slab_name: str, zone: str, log_place: str, log_photos: str, **said: Any
) -> int:
    """Note what was cast in one go: ZONE of a slab, with its mix, batch and day."""
    from .log.store import add_pour_zone

    with open_asked(log_place, log_photos) as log:
        uid = add_pour_zone(log, job, slab_name, zone, **said)
        click.echo(f"Noted as {uid[:10]}.")
    return 0


@jobs.command("repair")
@click.argument("job")
@click.argument("slab_name")
@click.argument("action")
@click.option("--zone", help="In which zone.")
@click.option("--pits", "n_pits", type=click.IntRange(0), help="Pits that were filled.")
@click.option("--area", "area_m2", type=NUMBER, help="Area that was coated, m2.")
@click.option("--minutes", type=NUMBER, help="How long it took.")
@click.option("--grams", type=NUMBER, help="Paste that was used.")
@click.option("--material", help="What it was filled or coated with.")
@click.option(
    "--done",
    "done_at",
    type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M"]),
    help="When (default: now).",
)
@click.option("--note", help="Anything else.")
@who_option
@log_options
def repair_command(
    job: str, slab_name: str, action: str, log_place: str, log_photos: str, **said: Any
) -> int:
    """Note work really done: ACTION is fill, fill_two_lifts, slurry_coat, hone_test_strip or other.

    Times and grams of three repairs and more become the shop's own rates (`jobs rates`).
    """
    from .log.store import add_repair

    for name in ("area_m2", "minutes", "grams"):
        if said[name] is not None and not 0 <= said[name] < math.inf:
            raise SettingsError(f"Give --{name.partition('_')[0]} as a number of 0 or more.")
    with open_asked(log_place, log_photos) as log:
        uid = add_repair(log, job, slab_name, action, **said)
        click.echo(f"Noted as {uid[:10]}.")
    return 0


@jobs.command("note")
@click.argument("job")
@click.argument("text")
@who_option
@log_options
def note_command(job: str, text: str, who: str, log_place: str, log_photos: str) -> int:
    """Keep a remark on a job."""
    from .log.store import add_note

    with open_asked(log_place, log_photos) as log:
        click.echo(f"Noted as {add_note(log, job, text, who=who)[:10]}.")
    return 0


@jobs.command("rates")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Write them as a file for `inspect --rates`."
)
@log_options
def rates_command(out: Path | None, log_place: str, log_photos: str) -> int:
    """Show the shop's own times and amounts, learned from the repairs that were noted."""
    from .log.rates import learn_rates, offer_settings

    with open_asked(log_place, log_photos) as log:
        rates = learn_rates(log)
        offered = offer_settings(rates, least_repairs=log.settings.rates_from_repairs)
    for rate in rates:
        doubt = "" if math.isnan(rate.sd) else f" +- {rate.sd:.3g}"
        click.echo(
            f"{rate.name}: {rate.value:.3g}{doubt} {rate.unit} {rate.material} (from {rate.n})".replace(
                "  ", " "
            )
        )
    if not rates:
        click.echo(
            "No repairs with their times and grams were noted yet; note them with `rakelight jobs repair`."
        )
    if out is not None and not offered:
        raise LogError("Too few repairs were noted to learn a rate; nothing was written.")
    if out is not None:
        out.write_text(
            "".join(f"{name} = {value:.4g}\n" for name, value in offered.items()), encoding="utf-8"
        )
        click.echo(f"Written: {out}")
    return 0


@jobs.command("delete")
@click.argument("job")
@click.option("--why", default="", help="Kept in the history.")
@who_option
@log_options
def delete_command(job: str, why: str, who: str, log_place: str, log_photos: str) -> int:
    """Put a job away: it is listed no more, and `jobs restore` brings it back."""
    from .log.history import delete_record
    from .log.search import show_job

    with open_asked(log_place, log_photos) as log:
        told = show_job(log, job)
        delete_record(log, "job", told["uid"], who=who, why=why)
        click.echo(f"Job {told['name']!r} was put away; `rakelight jobs restore` brings it back.")
    return 0


@jobs.command("restore")
@click.argument("job")
@who_option
@log_options
def restore_command(job: str, who: str, log_place: str, log_photos: str) -> int:
    """Bring back a job that was put away."""
    from .log.history import undelete_record

    with open_asked(log_place, log_photos) as log:
        undelete_record(log, "job", find_away(log, job), who=who)
        click.echo(f"Job {job!r} is back.")
    return 0


@jobs.command("undo")
@click.argument("change")
@who_option
@log_options
def undo_command(change: str, who: str, log_place: str, log_photos: str) -> int:
    """Undo one CHANGE, named by its number from `jobs show JOB --history`."""
    from .log.history import find_change, undo_change

    with open_asked(log_place, log_photos) as log:
        undo_change(log, find_change(log, change), who=who)
        click.echo("Undone; both the change and the undoing stay in the history.")
    return 0


@jobs.command("purge")
@click.argument("job")
@click.option("--yes", is_flag=True, help="Do it; without this nothing happens.")
@click.option("--why", default="", help="The one line that remains says this.")
@who_option
@log_options
def purge_command(job: str, yes: bool, why: str, who: str, log_place: str, log_photos: str) -> int:
    """Destroy a job that was put away, with its photos. This cannot be undone."""
    from .log.history import purge_job

    with open_asked(log_place, log_photos) as log:
        uid = find_away(log, job)
        if not yes:
            raise LogError(
                f"Purging {job!r} cannot be undone: export it first, then say it again with --yes."
            )
        n_removed = purge_job(log, uid, who=who, why=why)
        click.echo(f"Job {job!r} is gone for good, with {count(n_removed, 'picture')}.")
    return 0


def find_away(log: "Log", job: str) -> str:
    """Return the uid of a job that was put away, by its name or uid."""
    from .log.search import list_jobs

    away = list_jobs(log, is_deleted=True)
    found = away[(away["job"] == job) | (away["uid"] == job)]
    if found.empty:
        raise LogError(
            f"No job {job!r} was put away; `rakelight jobs list --away` names those that were."
        )
    return str(found["uid"].iloc[0])


@jobs.command("export")
@click.argument("job")
@click.argument("path", type=click.Path(path_type=Path), default=Path("."), required=False)
@log_options
def export_command(job: str, path: Path, log_place: str, log_photos: str) -> int:
    """Write one job with its photos as a single file into PATH, a file or a folder."""
    from .log.bundle import export_job

    with open_asked(log_place, log_photos) as log:
        click.echo(f"Written: {export_job(log, job, path)}")
    return 0


@jobs.command("import")
@click.argument("path", type=click.Path(path_type=Path))
@who_option
@log_options
def import_command(path: Path, who: str, log_place: str, log_photos: str) -> int:
    """Take a job in that `jobs export` wrote; every file in it is checked first."""
    from .log.merge import import_job

    with open_asked(log_place, log_photos, may_start=True) as log:
        done = import_job(log, path, who=who)
    added = ", ".join(count(n, kind.replace("_", " ")) for kind, n in done.added.items())
    click.echo(f"Job {done.job!r}: {added or 'nothing that was not here already'}.")
    if done.differing:
        click.echo(f"{count(len(done.differing), 'record')} found otherwise here and left so:")
        click.echo("\n".join(f"  {name}" for name in done.differing))
    return 0


@jobs.command("check")
@click.option("--tidy", is_flag=True, help="Also remove files that killed runs left behind.")
@log_options
def check_command(tidy: bool, log_place: str, log_photos: str) -> int:
    """Hold every file against its checksum and every record against what it belongs to."""
    from .log.check import check_log

    with open_asked(log_place, log_photos) as log:
        found = check_log(log, is_tidying=tidy)
        title = log.title
    for sentence in (*found.problems, *found.advice):
        click.echo(sentence)
    if not found.is_clean:
        raise LogError(f"{title} is not whole: see the {count(len(found.problems), 'line')} above.")
    click.echo(
        f"{title} is whole: {count(found.n_jobs, 'job')}, {count(found.n_photos, 'picture')} of "
        f"{found.photo_bytes / 1e6:.0f} MB, {found.free_bytes / 1e9:.1f} GB free ({datetime.date.today()})."
    )
    return 0
