"""Nothing written is ever lost: corrections, putting away, bringing back, and the one way to purge.

Every function here writes what stood before and what stands now into `history`, in the same
transaction as the change. Only `purge_job` destroys, only a job that was put away before, and it
leaves one line that says so.
"""

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from ..core.errors import LogError
from .connection import Log, plain_errors, reading, writing
from .rows import check_values, read_values, row_values
from .tables import (
    CHANGEABLE,
    KINDS,
    Base,
    History,
    Job,
    Photo,
    Purge,
    Slab,
    StoredInspection,
    Survey,
    now_utc,
)


def write_history(
    session: Session,
    row: Base,
    what: str,
    *,
    before: Mapping[str, Any] | None = None,
    who: str = "",
    why: str = "",
) -> None:
    """Add one line about a row to the history, inside the caller's transaction."""
    session.flush()
    session.add(
        History(
            job_uid=find_job(session, row).uid,
            kind=row.__tablename__,
            row_uid=row.uid,
            what=what,
            before=dict(before or {}),
            after=row_values(row),
            who=who,
            why=why,
        )
    )


def find_job(session: Session, row: Base) -> Job:
    """Return the job a row belongs to."""
    steps = {"job_id": Job, "slab_id": Slab, "survey_id": Survey, "inspection_id": StoredInspection,
             "after_id": StoredInspection}  # fmt: skip
    while not isinstance(row, Job):
        key = next(key for key in steps if hasattr(row, key))
        row = session.get_one(steps[key], getattr(row, key))
    return row


def get_row(session: Session, kind: str, uid: str) -> Any:
    """Return the row of a kind by its uid; an unknown one is a LogError."""
    if kind not in KINDS:
        raise LogError(f"There is no kind of record {kind!r}; it is one of {', '.join(KINDS)}.")
    row = session.scalars(sa.select(KINDS[kind]).where(KINDS[kind].uid == uid)).one_or_none()
    if row is None:
        raise LogError(
            f"The log has no {kind} {uid!r}; list what it has with `rakelight jobs show`."
        )
    return row


def correct_record(
    log: Log, kind: str, uid: str, values: Mapping[str, Any], *, who: str = "", why: str = ""
) -> None:
    """Change what a person wrote; what stood there before stays in the history.

    Raises
    ------
    LogError
        For what was measured (photos, inspections, comparisons) and for unknown fields.
    """
    with writing(log) as session:
        row = _get_changeable(session, kind, uid)
        before = row_values(row)
        for name, value in check_values(type(row), values, is_clearing=True).items():
            setattr(row, name, value)
        write_history(session, row, "correct", before=before, who=who, why=why)


def delete_record(log: Log, kind: str, uid: str, *, who: str = "", why: str = "") -> None:
    """Put a record away: it is listed and searched no more, and can be brought back."""
    _set_deleted(log, kind, uid, is_deleted=True, who=who, why=why)


def undelete_record(log: Log, kind: str, uid: str, *, who: str = "", why: str = "") -> None:
    """Bring back a record that was put away."""
    _set_deleted(log, kind, uid, is_deleted=False, who=who, why=why)


def undo_change(log: Log, history_uid: str, *, who: str = "", why: str = "") -> None:
    """Set a record back to what stood before one line of the history.

    Raises
    ------
    LogError
        When the line is not a correction or a putting away, or the record changed since.
    """
    with writing(log) as session:
        line = session.scalars(sa.select(History).where(History.uid == history_uid)).one_or_none()
        if line is None or line.what not in ("correct", "delete", "undelete", "undo"):
            raise LogError(
                "Only a correction, a deletion or a return can be undone; name one of those."
            )
        row = _get_changeable(session, line.kind, line.row_uid)
        before = row_values(row)
        if before != line.after:
            raise LogError("This record was changed again since; undo the later change first.")
        for name, value in read_values(type(row), line.before).items():
            setattr(row, name, value)
        write_history(session, row, "undo", before=before, who=who, why=why)


def list_history(log: Log, *, job_uid: str | None = None, row_uid: str | None = None) -> list[dict]:
    """Return the lines of the history, oldest first: when, who, what, before, after, why."""
    query = sa.select(History).order_by(History.id)
    if job_uid is not None:
        query = query.where(History.job_uid == job_uid)
    if row_uid is not None:
        query = query.where(History.row_uid == row_uid)
    with reading(log) as session:
        return [row_values(line) for line in session.scalars(query)]


def find_change(log: Log, number: str) -> str:
    """Return the uid of a line of the history by at least six letters of its beginning."""
    number = number.strip().lower()
    if len(number) >= 6 and number.isalnum():
        with reading(log) as session:
            found = session.scalars(
                sa.select(History.uid).where(History.uid.startswith(number))
            ).all()
        if len(found) == 1:
            return found[0]
    raise LogError(
        f"The history has no change {number!r}; `rakelight jobs show JOB --history` gives their numbers."
    )


def purge_job(log: Log, uid: str, *, who: str = "", why: str = "") -> int:
    """Destroy a job that was put away, with its photos; returns how many files were removed.

    The database and the photo folder keep nothing of it; bundles and copies elsewhere do.
    A photo that another job holds too stays.
    """
    with writing(log) as session:
        job = get_row(session, "job", uid)
        if job.deleted_at is None:
            raise LogError(
                f"Delete {job.name!r} first; only a job that was put away can be purged."
            )
        kept = _list_photos(session, job)
        session.add(Purge(job_uid=uid, who=who, why=why))
        session.flush()
        session.execute(sa.delete(History).where(History.job_uid == uid))
        session.execute(sa.delete(Job).where(Job.id == job.id))
    n_removed = remove_unused(log, {sha256 for sha256, _ in kept})
    _scrub(log)
    return n_removed


def remove_unused(log: Log, digests: set[str] | None = None) -> int:
    """Remove kept photo files that no record names (of these SHA-256, or all); returns how many.

    Runs inside a writing transaction, so no other program can be about to name one of them.
    """
    n_removed = 0
    with writing(log) as session:
        used = list_used_digests(session)
        for path in list(log.photos.list_kept()):
            if path.stem in used or (digests is not None and path.stem not in digests):
                continue
            path.unlink(missing_ok=True)
            n_removed += 1
    return n_removed


def list_used_digests(session: Session) -> set[str]:
    """Return the SHA-256 of every photo and face that a record names."""
    faces = sa.select(StoredInspection.face_sha256).where(StoredInspection.face_sha256.is_not(None))
    return set(session.scalars(sa.select(Photo.sha256))) | set(session.scalars(faces))


def _list_photos(session: Session, job: Job) -> list[tuple[str, str]]:
    of_job = sa.select(Survey.id).join(Slab).where(Slab.job_id == job.id)
    photos = session.execute(
        sa.select(Photo.sha256, Photo.suffix).where(Photo.survey_id.in_(of_job))
    ).all()
    faces = session.scalars(
        sa.select(StoredInspection.face_sha256).where(
            StoredInspection.survey_id.in_(of_job), StoredInspection.face_sha256.is_not(None)
        )
    )
    return [tuple(photo) for photo in photos] + [(face, ".jpg") for face in faces]


def _scrub(log: Log) -> None:
    """Empty SQLite's write-ahead file, which may still hold pages of what was purged."""
    if not log.is_sqlite:
        return
    with plain_errors(log), log.engine.connect() as connection:
        raw = connection.connection.driver_connection
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _get_changeable(session: Session, kind: str, uid: str) -> Any:
    if kind in KINDS and kind not in CHANGEABLE:
        raise LogError(
            f"A {kind} is kept as it was measured; write a decision or a note beside it."
        )
    return get_row(session, kind, uid)


def _set_deleted(log: Log, kind: str, uid: str, *, is_deleted: bool, who: str, why: str) -> None:
    with writing(log) as session:
        row = _get_changeable(session, kind, uid)
        if (row.deleted_at is not None) == is_deleted:
            return
        before = row_values(row)
        row.deleted_at = now_utc() if is_deleted else None
        write_history(
            session, row, "delete" if is_deleted else "undelete", before=before, who=who, why=why
        )
