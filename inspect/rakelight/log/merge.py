"""Taking a bundle into the log: what is missing is added, what is there is left as it is."""

from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from ..core import codec
from ..core.errors import LogError
from .bundle import LINKS
from .connection import Log, plain_errors, writing
from .history import find_job, write_history
from .intake import Bundle, open_bundle
from .photos import Waiting
from .rows import read_values, row_values
from .store import make_sheets, sum_zones
from .tables import KINDS, Base, History, Job, ZoneSum

UID_LENGTH = 32


@dataclass(slots=True)
class ImportedJob:
    """What an import did: the job's name and uid, rows added by kind, and rows that differ here.

    differing : "kind uid" of records that stand otherwise in this log; these were left alone.
    """

    job: str
    uid: str
    added: dict[str, int] = field(default_factory=dict)
    differing: list[str] = field(default_factory=list)


def import_job(log: Log, path: str | Path, *, who: str = "") -> ImportedJob:
    """Return what was taken from a bundle into the log, whole or not at all.

    A job that is already here gains what it lacks; a record that stands otherwise here is kept as
    it is and named in `differing`. A job of the same name but not the same uid is told apart by
    a number behind its name.

    Raises
    ------
    LogError
        One sentence: damaged, newer, built to do harm, or the job was put away here.
    """
    with open_bundle(path, settings=log.settings) as bundle, ExitStack() as stack:
        records = bundle.read_records()
        with plain_errors(log):
            photos = [_take_photo(log, bundle, found, stack) for found in bundle.list_photos()]
        with writing(log) as session:
            done = _merge(session, bundle, records, who)
            _check_photos_named(session, done, records, photos, bundle)
            for photo in photos:
                log.photos.accept(photo)
    return done


def _take_photo(log: Log, bundle: Bundle, found: tuple[str, str, str], stack: ExitStack) -> Waiting:
    name, _, suffix = found
    waiting = log.photos.write_in_pieces(bundle.stream(name), suffix)
    stack.callback(log.photos.drop, waiting)
    return waiting


def _merge(
    session: Session, bundle: Bundle, records: dict[str, list[dict]], who: str
) -> ImportedJob:
    jobs = records.get("job", [])
    if len(jobs) != 1 or jobs[0].get("uid") != bundle.job_uid:
        raise LogError(f"{bundle.name} does not hold exactly one job; ask for the bundle again.")
    done = ImportedJob(str(jobs[0].get("name", "")), bundle.job_uid)
    ids: dict[str, dict[str, int]] = {kind: {} for kind in KINDS}
    for kind in KINDS:
        for record in records.get(kind, []):
            _merge_row(session, kind, record, ids, done, bundle)
    _merge_history(session, records.get("history", []), bundle)
    job = session.get_one(Job, ids["job"][bundle.job_uid])
    done.job = job.name
    if done.added:
        write_history(
            session, job, "import", before={"added": done.added}, who=who, why=bundle.name
        )
    return done


def _merge_row(session, kind, record, ids, done, bundle) -> None:
    uid = record.get("uid")
    if not isinstance(uid, str) or len(uid) != UID_LENGTH or not uid.isalnum():
        raise LogError(f"A {kind} in {bundle.name} has no proper uid; ask for the bundle again.")
    table = KINDS[kind]
    row = session.scalars(sa.select(table).where(table.uid == uid)).first()
    if row is not None:
        _check_same_job(session, row, kind, done, bundle)
        if _differs(row, record):
            done.differing.append(f"{kind} {uid}")
        ids[kind][uid] = row.id
        return
    row = table(**_read_row(table, record, bundle), **_find_links(kind, record, ids, bundle))
    if kind == "job":
        row.name = _free_name(session, row.name)
    session.add(row)
    session.flush()
    ids[kind][uid] = row.id
    done.added[kind] = done.added.get(kind, 0) + 1
    if kind in ("inspection", "comparison"):
        _add_sheets(session, kind, row, bundle)


def _check_same_job(session, row, kind, done, bundle) -> None:
    job = find_job(session, row)
    if job.uid != done.uid:
        raise LogError(f"{bundle.name} claims a {kind} of another job; do not import it.")
    if job.deleted_at is not None:
        raise LogError(
            f"Job {job.name!r} was put away here; bring it back with `rakelight jobs restore` first."
        )


def _differs(row: Base, record: dict[str, Any]) -> bool:
    values = row_values(row)
    skip = ("made_at", "deleted_at", *(("name",) if isinstance(row, Job) else ()))
    return any(record.get(k) != v for k, v in values.items() if k in record and k not in skip)


def _find_links(kind, record, ids, bundle) -> dict[str, int]:
    links = {}
    for key, parent in LINKS[kind]:
        uid = record.get(key)
        if not isinstance(uid, str) or uid not in ids[parent]:
            raise LogError(
                f"A {kind} in {bundle.name} belongs to nothing; ask for the bundle again."
            )
        links[key] = ids[parent][uid]
    return links


def _read_row(table: type[Base], record: dict[str, Any], bundle: Bundle) -> dict[str, Any]:
    """Values for the columns that a table has; a wrong type is damage, an unknown name is left out."""
    try:
        return read_values(table, record)
    except (TypeError, ValueError, OverflowError) as error:
        raise LogError(
            f"A {table.__tablename__} in {bundle.name} is damaged ({error}); ask for the bundle again."
        ) from None


def _free_name(session: Session, name: str) -> str:
    taken = set(
        session.scalars(sa.select(Job.name).where(Job.name.startswith(name, autoescape=True)))
    )
    number, free = 1, name
    while free in taken:
        number += 1
        free = f"{name} ({number})"
    return free


def _add_sheets(session: Session, kind: str, row: Base, bundle: Bundle) -> None:
    folder = f"{kind}s/{row.uid}/"
    sheets = {
        name[len(folder) :]: bundle.read(name) for name in bundle.files if name.startswith(folder)
    }
    if kind == "comparison":
        codec.unpack_comparison(sheets)  # refuses what cannot be read later
    else:
        pits = codec.unpack_inspection(sheets).pits
        session.add_all(ZoneSum(inspection_id=row.id, **sums) for sums in sum_zones(pits))
    session.add_all(make_sheets(sheets, **{f"{kind}_id": row.id}))


def _merge_history(session: Session, lines: list[dict], bundle: Bundle) -> None:
    known = set(session.scalars(sa.select(History.uid).where(History.job_uid == bundle.job_uid)))
    for record in lines:
        if record.get("job_uid") != bundle.job_uid:
            raise LogError(f"{bundle.name} holds the history of another job; do not import it.")
        values = _read_row(History, record, bundle)
        if values.get("uid") not in known:
            session.add(History(**values))


def _check_photos_named(session, done, records, photos, bundle) -> None:
    """Every photo that a new record names must have come with the bundle."""
    here = {photo.sha256 for photo in photos}
    named = [record.get("sha256") for record in records.get("photo", [])]
    named += [record.get("face_sha256") for record in records.get("inspection", [])]
    wanted = {sha256 for sha256 in named if isinstance(sha256, str)}
    if done.added and not wanted <= here:
        raise LogError(f"{bundle.name} lacks a photo that it names; ask for the bundle again.")
    if not here <= wanted:
        raise LogError(f"{bundle.name} holds a photo that it does not name; do not import it.")
