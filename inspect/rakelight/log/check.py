"""Is the log whole? Every file against its SHA-256, every row against its parent, room on disk."""

import json
import shutil
import time
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from ..core import codec
from ..core.errors import LogError
from .connection import Log, reading
from .history import list_used_digests, remove_unused
from .photos import hash_file
from .tables import Base, Photo, Sheet, StoredInspection

ROOM_MIN_BYTES = 500_000_000
"""With less room than this on the disk the check says so (our choice: a few dozen photos)."""

LIST_MAX = 20
PASSING_S = 3600.0


@dataclass(frozen=True, slots=True)
class LogCheck:
    """What a check found.

    problems : sentences; empty when the log is whole. advice : what would be good to do. leftovers : files
    of killed runs that no record names (harmless; `tidy` removes them).
    """

    problems: tuple[str, ...]
    advice: tuple[str, ...]
    n_jobs: int
    n_photos: int
    photo_bytes: int
    leftovers: tuple[Path, ...]
    free_bytes: int

    @property
    def is_clean(self) -> bool:
        """Whether nothing is wrong."""
        return not self.problems


def check_log(log: Log, *, is_tidying: bool = False) -> LogCheck:
    """Return whether every record and file of the log is whole.

    Parameters
    ----------
    is_tidying : also remove files that killed runs left without a record.
    """
    with reading(log) as session:
        problems = _check_database(session)
        if problems:  # what a damaged file says about its rows means nothing
            return LogCheck(tuple(problems), ("Bring back a copy of the log.",), 0, 0, 0, (), 0)
        problems = [*_check_parents(session), *_check_sheets(session), *_check_photos(log, session)]
        n_jobs = session.scalar(sa.text("SELECT count(*) FROM job WHERE deleted_at IS NULL"))
        used = list_used_digests(session)
    leftovers = [path for path in log.photos.list_kept() if path.stem not in used]
    leftovers += log.photos.list_passing()
    if is_tidying:
        _tidy(log)
        leftovers = [path for path in leftovers if path.exists()]
    kept = [path for path in log.photos.list_kept() if path.stem in used]
    free_bytes = shutil.disk_usage(log.photos.root).free
    return LogCheck(
        problems=tuple(problems),
        advice=tuple(_advise(free_bytes, leftovers)),
        n_jobs=int(n_jobs or 0),
        n_photos=len(kept),
        photo_bytes=sum(path.stat().st_size for path in kept),
        leftovers=tuple(leftovers),
        free_bytes=free_bytes,
    )


def _check_database(session: Session) -> list[str]:
    if session.get_bind().dialect.name != "sqlite":
        return []
    try:
        rows = session.execute(sa.text("PRAGMA integrity_check")).scalars().all()
    except sa.exc.DatabaseError as error:
        rows = [str(error.orig)]
    return (
        []
        if rows == ["ok"]
        else [f"The database file is damaged: {row}." for row in rows[:LIST_MAX]]
    )


def _check_parents(session: Session) -> list[str]:
    """Rows whose parent is missing, for every key of every table."""
    problems = []
    for table in Base.metadata.sorted_tables:
        for key in table.foreign_keys:
            parent = key.column.table.alias()
            query = (
                sa.select(sa.func.count())
                .select_from(table.outerjoin(parent, key.parent == parent.c.id))
                .where(key.parent.is_not(None), parent.c.id.is_(None))
            )
            n_orphans = session.scalar(query)
            if n_orphans:
                problems.append(
                    f"{n_orphans} rows of {table.name} belong to nothing in {key.column.table.name}."
                )
    return problems


def _check_sheets(session: Session) -> list[str]:
    problems = []
    rows = session.execute(
        sa.select(Sheet.id, Sheet.name, Sheet.sha256, Sheet.data).execution_options(yield_per=50)
    )
    for number, name, sha256, data in rows:
        if codec.hash_bytes(data) != sha256 or not _is_readable(name, data):
            problems.append(f"Sheet {number} ({name}) is damaged.")
    bare = sa.select(StoredInspection.uid).where(
        StoredInspection.id.not_in(sa.select(Sheet.inspection_id).where(Sheet.name == codec.RECORD))
    )
    problems += [f"Inspection {uid} has no record." for uid in session.scalars(bare)]
    return problems


def _is_readable(name: str, data: bytes) -> bool:
    try:
        text = codec.expand_sheet(data)
        if name.endswith(".json"):
            json.loads(text)
    except (LogError, ValueError):
        return False
    return True


def _check_photos(log: Log, session: Session) -> list[str]:
    named = {
        (sha, suffix) for sha, suffix in session.execute(sa.select(Photo.sha256, Photo.suffix))
    }
    faces = sa.select(StoredInspection.face_sha256).where(StoredInspection.face_sha256.is_not(None))
    named |= {(sha, ".jpg") for sha in session.scalars(faces)}
    problems = []
    for sha256, suffix in sorted(named):
        path = log.photos.place(sha256, suffix)
        if not path.is_file():
            problems.append(f"Photo {path.name} is missing: bring it back from a copy.")
        elif hash_file(path) != sha256:
            problems.append(f"Photo {path.name} was altered: bring it back from a copy.")
    return problems


def _tidy(log: Log) -> None:
    remove_unused(log)
    for path in log.photos.list_passing():
        # A younger one may belong to a program that is copying right now.
        if time.time() - path.stat().st_mtime > PASSING_S:
            path.unlink(missing_ok=True)


def _advise(free_bytes: int, leftovers: list[Path]) -> list[str]:
    advice = []
    if free_bytes < ROOM_MIN_BYTES:
        advice.append(f"Only {free_bytes / 1e6:.0f} MB are free where the photos lie: make room.")
    if leftovers:
        advice.append(
            f"{len(leftovers)} files of runs that were cut short can go: add --tidy to remove them."
        )
    return advice
