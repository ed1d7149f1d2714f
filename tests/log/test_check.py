"""Is the log whole?"""

import os
import sqlite3
import time
from types import SimpleNamespace

import pytest
import sqlalchemy as sa

from rakelight.log import check
from rakelight.log.check import check_log
from rakelight.log.connection import open_log, writing
from rakelight.log.store import SurveyPlace, add_job, add_note, save_inspection


@pytest.fixture
def full_log(log, photo, make_inspection):
    """Return a log with one inspected photo."""
    save_inspection(log, make_inspection(photo=photo), SurveyPlace("Bench"), photos=[photo])
    return log


def take_guards(log):
    """Take away the guards, as damage from outside would."""
    with writing(log) as session:
        for table in ("sheet", "inspection"):
            on = "" if log.is_sqlite else f" ON {table}"
            session.execute(sa.text(f"DROP TRIGGER kept_{table}{on}"))


def test_whole_log_is_clean(full_log, photo):
    """Nothing is wrong with a log that nobody touched, and its photos are counted."""
    found = check_log(full_log)
    assert found.is_clean
    assert () == found.leftovers
    assert (1, 2) == (found.n_jobs, found.n_photos)  # the photo and the face
    assert found.photo_bytes > photo.stat().st_size
    assert found.free_bytes > 0


@pytest.mark.plant
def test_altered_photo_is_found(full_log):
    """One byte changed in a kept photo is named."""
    path = next(full_log.photos.list_kept())
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[100] ^= 1
    path.write_bytes(bytes(data))
    [problem] = check_log(full_log).problems
    assert path.name in problem
    assert "altered" in problem


@pytest.mark.plant
def test_missing_photo_is_found(full_log):
    """A kept photo that is gone is named."""
    path = next(full_log.photos.list_kept())
    path.unlink()
    [problem] = check_log(full_log).problems
    assert path.name in problem
    assert "missing" in problem


@pytest.mark.plant
def test_damaged_sheet_is_found(full_log):
    """A table that was changed behind the log's back is named."""
    take_guards(full_log)
    with writing(full_log) as session:
        session.execute(
            sa.text("UPDATE sheet SET data = :data WHERE name = 'pits.csv'"),
            {"data": b"\x1f\x8bxx"},
        )
    [problem] = check_log(full_log).problems
    assert "pits.csv" in problem


@pytest.mark.plant
def test_missing_record_is_found(full_log):
    """An inspection without its record is named."""
    with writing(full_log) as session:
        session.execute(sa.text("DELETE FROM sheet WHERE name = 'record.json'"))
    [problem] = check_log(full_log).problems
    assert "has no record" in problem


@pytest.mark.plant
def test_orphan_row_is_found(tmp_path, photo, make_inspection):
    """A row whose parent is gone is counted."""
    with open_log(tmp_path / "log") as log:
        save_inspection(log, make_inspection(photo=photo), SurveyPlace("Bench"), photos=[photo])
        stranger = sqlite3.connect(tmp_path / "log" / "log.sqlite")  # knows no foreign keys
        stranger.execute("DELETE FROM survey")
        stranger.commit()
        stranger.close()
        problems = check_log(log).problems
    assert any("1 rows of photo belong to nothing in survey" in problem for problem in problems)


@pytest.mark.plant
def test_damaged_file_is_found(tmp_path):
    """A page of the database overwritten is seen by SQLite itself."""
    with open_log(tmp_path) as log:
        add_job(log, "Bench")
        for number in range(60):
            add_note(log, "Bench", f"{number} " + "words " * 400)
        with log.engine.connect() as raw:
            raw.connection.driver_connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            size = raw.exec_driver_sql("PRAGMA page_size").scalar()
            root = raw.exec_driver_sql(
                "SELECT rootpage FROM sqlite_master WHERE name = 'ix_note_job_id'"
            ).scalar()
    with open(tmp_path / "log.sqlite", "r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\0" * size)
    with open_log(tmp_path) as log:
        assert not check_log(log).is_clean


def test_leftovers_are_harmless_and_can_go(full_log):
    """Files of a killed run are told apart from damage, and removed when asked."""
    waiting = full_log.photos.write_in(b"half a photo", ".jpg")
    stray = full_log.photos.accept(full_log.photos.write_in(b"never recorded", ".jpg"))
    found = check_log(full_log)
    assert found.is_clean
    assert {waiting.path, stray} == set(found.leftovers)
    assert "--tidy" in found.advice[-1]
    # A young passing file may belong to a program that is copying right now.
    assert (waiting.path,) == check_log(full_log, is_tidying=True).leftovers
    assert not stray.exists()
    old = time.time() - 2 * check.PASSING_S
    os.utime(waiting.path, (old, old))
    assert () == check_log(full_log, is_tidying=True).leftovers
    assert 2 == check_log(full_log).n_photos


def test_little_room_is_said(full_log, monkeypatch):
    """A disk that is nearly full is named before it is too late."""
    monkeypatch.setattr(check.shutil, "disk_usage", lambda _: SimpleNamespace(free=100_000_000))
    assert "Only 100 MB are free" in check_log(full_log).advice[0]
