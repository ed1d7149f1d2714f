"""Opening the job log: a folder with a SQLite file by default, PostgreSQL by its address.

Catalogue: `open_log`, `Log`, and the two ways to use it: `reading(log)` and `writing(log)`. A
writing transaction waits its turn from the start, so two programs never half-overlap. Whatever
the database complains about reaches a person as one sentence.
"""

import os
import re
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from ..core.errors import LogError
from ..core.settings import LogSettings
from .photos import PhotoFolder

HEAD = "0002"
"""Newest step of the migrations; a test keeps it equal to the newest file."""

FILE_NAME = "log.sqlite"
PHOTO_FOLDER = "photos"
ENVIRONMENT = "RAKELIGHT_LOG"
PHOTOS_ENVIRONMENT = "RAKELIGHT_LOG_PHOTOS"
WRITER_KEY = 7_265_436_841
"""Name of the one PostgreSQL lock that writers take in turn (any fixed number)."""

UNREACHED = ("connect", "password", "terminat", "starting up", "shutting down")
NO_SUCH_PLACE = r"(database|role) .* does not exist"
FULL = ("disk is full", "no space left", "disk full", "could not extend file", "file too large")


@dataclass(frozen=True, slots=True)
class Log:
    """An open job log. Close it, or use it in a `with` block."""

    engine: sa.Engine
    photos: PhotoFolder
    settings: LogSettings

    @property
    def is_sqlite(self) -> bool:
        """Whether the log is a file."""
        return self.engine.dialect.name == "sqlite"

    @property
    def title(self) -> str:
        """Where the log lies, for people; a password is not shown."""
        if self.is_sqlite:
            return str(self.engine.url.database)
        return self.engine.url.render_as_string(hide_password=True)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> "Log":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_log(
    where: str | Path | None = None,
    *,
    photos: str | Path | None = None,
    settings: LogSettings | None = None,
) -> Log:
    """Return the job log at a place, made new or brought up to date as needed.

    Parameters
    ----------
    where : a folder (holds log.sqlite and photos/), a .sqlite file, or a postgresql:// address.
        Default: $RAKELIGHT_LOG, else rakelight in the person's data folder.
    photos : folder of the kept photos; default $RAKELIGHT_LOG_PHOTOS, else beside the SQLite file.
        Needed with PostgreSQL.

    Raises
    ------
    LogError
        One sentence: no right to write, not a job log, made by a newer version, no server.
    """
    settings = settings or LogSettings()
    where = find_place(where)
    photos = photos or os.environ.get(PHOTOS_ENVIRONMENT)
    if where.startswith(("postgresql:", "postgres:", "postgresql+psycopg:")):
        log = _open_server(where, photos, settings)
    else:
        log = _open_file(Path(where).expanduser(), photos, settings)
    try:
        _bring_up_to_date(log)
    except BaseException:
        log.close()
        raise
    return log


def find_place(where: str | Path | None = None) -> str:
    """Return where the log is: as said, else $RAKELIGHT_LOG, else the person's data folder."""
    return str(where or os.environ.get(ENVIRONMENT) or default_folder())


def default_folder() -> Path:
    """Return the folder of the log when nothing else was said."""
    if os.name == "nt":
        base = os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local")
    else:
        base = os.environ.get("XDG_DATA_HOME", Path.home() / ".local" / "share")
    return Path(base) / "rakelight"


@contextmanager
def reading(log: Log) -> Iterator[Session]:
    """Give a session that sees one moment of the log and changes nothing."""
    with plain_errors(log), Session(log.engine) as session:
        yield session


@contextmanager
def writing(log: Log) -> Iterator[Session]:
    """Give a session whose changes are all kept together, or not at all."""
    engine = log.engine.execution_options(is_writing=True)
    with plain_errors(log), Session(engine) as session, session.begin():
        session.connection()  # takes the turn now, not at the first order
        if not log.is_sqlite:
            session.execute(sa.select(sa.func.pg_advisory_xact_lock(WRITER_KEY)))
        yield session


@contextmanager
def plain_errors(log: Log) -> Iterator[None]:
    """Turn whatever the database or the disk complains about into one sentence."""
    try:
        yield
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        raise LogError(_explain(str(getattr(error, "orig", error)), log)) from error
    except UnicodeDecodeError as error:  # SQLite quotes the bytes that it cannot make sense of
        raise LogError(_explain("malformed", log)) from error
    except OSError as error:
        raise LogError(_explain(str(error), log)) from error


def _explain(trouble: str, log: Log) -> str:
    low = trouble.lower()
    if any(sign in low for sign in FULL):
        return (
            f"The disk is full: make room where {log.title} lies and do it again; nothing was lost."
        )
    if "locked" in low or "lock timeout" in low:
        return f"Another program kept {log.title} busy too long; wait a moment and do it again."
    if "not a database" in low or "malformed" in low or "file is encrypted" in low:
        return (
            f"{log.title} is damaged or is not a job log; name another file or bring back a copy."
        )
    if "readonly" in low or "read-only" in low or "permission" in low or "unable to open" in low:
        return f"{log.title} cannot be written; get the right to write there or name another place."
    if any(sign in low for sign in UNREACHED) or re.search(NO_SUCH_PLACE, low):
        return f"{log.title} cannot be reached; see that the server runs and its address is right."
    return f"{log.title} could not do this ({trouble.splitlines()[0]}); run `rakelight jobs check`."


def _open_file(path: Path, photos: str | Path | None, settings: LogSettings) -> Log:
    if path.suffix not in (".sqlite", ".db"):
        path = path / FILE_NAME
    folder = Path(photos) if photos else path.parent / PHOTO_FOLDER
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        raise LogError(f"{path.parent} cannot be made; name a folder you may write to.") from None
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(path)),
        connect_args={"timeout": settings.busy_timeout_s},
    )
    log = Log(engine, PhotoFolder(folder), settings)
    sa.event.listen(engine, "connect", _make_connect(settings))
    sa.event.listen(engine, "begin", _begin)
    return log


def _make_connect(settings: LogSettings):
    def connect(connection: sqlite3.Connection, _record: object) -> None:
        # The driver must not open or close transactions by itself: `_begin` does.
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {round(settings.busy_timeout_s * 1000)}")
        _switch_to_wal(connection, settings.busy_timeout_s)
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA secure_delete = ON")

    return connect


def _switch_to_wal(connection: sqlite3.Connection, patience_s: float) -> None:
    """Switch the file to its write-ahead log; SQLite itself does not wait for this lock."""
    until = time.monotonic() + patience_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.02)


def _begin(connection: sa.Connection) -> None:
    is_writing = connection.get_execution_options().get("is_writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writing else "BEGIN")


def _open_server(address: str, photos: str | Path | None, settings: LogSettings) -> Log:
    if photos is None:
        raise LogError(
            "A log on a server needs a folder for its photos as well: name it with --log-photos or in "
            f"{PHOTOS_ENVIRONMENT}."
        )
    address = address.replace("postgres://", "postgresql://", 1)
    try:
        url = sa.make_url(address).set(drivername="postgresql+psycopg")
        timeout_ms = round(settings.busy_timeout_s * 1000)
        engine = sa.create_engine(
            url,
            pool_pre_ping=True,
            connect_args={"options": f"-c lock_timeout={timeout_ms}", "connect_timeout": 10},
        )
    except ModuleNotFoundError:
        raise LogError(
            "PostgreSQL needs one more package: install rakelight with its extra `postgres`."
        ) from None
    except (sa.exc.ArgumentError, ValueError):
        raise LogError("Write the server's address as postgresql://user@host/name.") from None
    folder = Path(photos).expanduser()
    log = Log(engine, PhotoFolder(folder), settings)
    with plain_errors(log):
        folder.mkdir(parents=True, exist_ok=True)
    return log


def _bring_up_to_date(log: Log) -> None:
    revision = read_revision(log)
    if revision == HEAD:
        return
    if revision is not None and revision > HEAD:
        raise LogError(f"{log.title} was written by a newer rakelight; update and try again.")
    from .upgrade import upgrade_log

    upgrade_log(log)


def read_revision(log: Log) -> str | None:
    """Return the migration step a log stands at; None for an empty database."""
    with plain_errors(log), log.engine.connect() as connection:
        names = set(sa.inspect(connection).get_table_names())
        if not names - {"alembic_version"}:
            return None
        if not {"alembic_version", "job", "history"} <= names:
            raise LogError(
                f"{log.title} holds something that is not a job log; name another place."
            )
        return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
