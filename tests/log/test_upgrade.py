"""Bringing a log up to date."""

import os
import sqlite3
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.script import ScriptDirectory

from rakelight.core.errors import LogError
from rakelight.log.connection import HEAD, read_revision, reading, writing
from rakelight.log.search import show_job
from rakelight.log.store import SurveyPlace, add_note, load_inspection, save_inspection
from rakelight.log.tables import Base, UtcTime
from rakelight.log.upgrade import (
    check_models,
    clear_passing,
    downgrade_log,
    make_config,
    upgrade_log,
)


def test_head_is_the_newest_step():
    """The step that a log is opened at is the last of the migrations."""
    assert HEAD == ScriptDirectory.from_config(make_config()).get_current_head()


def test_models_are_what_the_steps_make(log):
    """Alembic finds no difference between the models and a migrated log."""
    check_models(log)


@pytest.mark.plant
def test_planted_difference_is_found(files_log):
    """The check sees a column that is missing."""
    with writing(files_log) as session:
        session.execute(sa.text("ALTER TABLE note DROP COLUMN who"))
    with pytest.raises(LogError, match="other tables than expected"):
        check_models(files_log)


def test_checks_are_made(log):
    """CHECK constraints, which Alembic does not compare, stand in the database."""
    with log.engine.connect() as connection:
        names = {c["name"] for c in sa.inspect(connection).get_check_constraints("sheet")}
    expected = {
        c.name
        for c in Base.metadata.tables["sheet"].constraints
        if isinstance(c, sa.CheckConstraint)
    }
    assert expected == names
    assert {"ck_sheet_one_owner"} == names


def test_up_down_up(log):
    """All steps can be taken back and taken again."""
    downgrade_log(log, revision="base")
    assert read_revision(log) is None
    upgrade_log(log)
    assert HEAD == read_revision(log)
    check_models(log)


def test_data_survives_the_newest_step(log, photo, make_inspection):
    """A step back and forward again loses no record."""
    uid = save_inspection(log, make_inspection(photo=photo), SurveyPlace("Bench"), photos=[photo])
    add_note(log, "Bench", "client rang")
    before = show_job(log, "Bench")
    downgrade_log(log, revision="0001")
    upgrade_log(log)
    assert before == show_job(log, "Bench")
    assert 25 == len(load_inspection(log, uid).pits)


def test_copy_before_a_step(files_log):
    """An older SQLite log is copied whole before it is changed."""
    add = Path(f"{files_log.engine.url.database}.before-0001")
    with writing(files_log) as session:
        session.execute(
            sa.text(
                "INSERT INTO job (uid, made_at, name, client, site, words, agreed) "
                "VALUES ('a', '2026-11-25', 'Bench', '', '', '', '{}')"
            )
        )
    downgrade_log(files_log, revision="0001")
    upgrade_log(files_log)
    copy = sqlite3.connect(add)
    assert [("Bench",)] == copy.execute("SELECT name FROM job").fetchall()
    assert [("0001",)] == copy.execute("SELECT version_num FROM alembic_version").fetchall()
    copy.close()


def test_failed_step_changes_nothing(files_log, monkeypatch):
    """A step that breaks half-way leaves the log at the step before, tables and all."""
    downgrade_log(files_log, revision="base")
    from alembic import op

    real = op.create_table
    made = []

    def break_at_ninth(name, *args, **kwargs):
        made.append(name)
        if len(made) == 9:
            raise RuntimeError("power cut")
        return real(name, *args, **kwargs)

    monkeypatch.setattr(op, "create_table", break_at_ninth)
    with pytest.raises(RuntimeError, match="power cut"):
        upgrade_log(files_log)
    monkeypatch.undo()
    with files_log.engine.connect() as connection:
        assert set() == set(sa.inspect(connection).get_table_names()) - {"alembic_version"}
    upgrade_log(files_log)
    assert HEAD == read_revision(files_log)


def test_two_programs_open_a_new_log_at_once(tmp_path):
    """The second waits for the first and finds everything made."""
    import subprocess
    import sys

    code = f"from rakelight.log.connection import open_log; open_log({str(tmp_path)!r}).close()"
    runs = [
        subprocess.Popen([sys.executable, "-W", "error", "-c", code], stderr=subprocess.PIPE)
        for _ in range(3)
    ]
    assert [b""] * 3 == [run.communicate()[1] for run in runs]
    assert [0] * 3 == [run.returncode for run in runs]


def test_copies_half_made_by_killed_programs_go_and_young_ones_stay(tmp_path):
    """What nobody has touched for an hour is removed; what another program may be writing is left alone."""
    copy = tmp_path / "log.sqlite.before-0001"
    old, young, other = (tmp_path / f"{name}.passing" for name in (f"{copy.name}.7", f"{copy.name}.8", "log.zip"))
    for file in (old, young, other):
        file.write_bytes(b"half")
    for file in (old, other):
        os.utime(file, (0, 0))
    clear_passing(copy)
    assert [young.name, other.name] == sorted(file.name for file in tmp_path.iterdir())


def test_guards_keep_what_was_written(log, photo, make_inspection):
    """The database refuses to change measurements and history, whoever asks."""
    save_inspection(log, make_inspection(photo=photo), SurveyPlace("Bench"), photos=[photo])
    for order in (
        "UPDATE history SET who = 'x'",
        "UPDATE photo SET sha256 = 'x'",
        "UPDATE inspection SET n_pits = 0",
        "UPDATE sheet SET name = 'x'",
        "DELETE FROM history",
    ):
        with pytest.raises(LogError), writing(log) as session:
            session.execute(sa.text(order))


def test_times_come_back_with_their_zone(log):
    """A moment is the same moment on both databases."""
    uid = None
    from datetime import datetime, timedelta, timezone

    from rakelight.log.store import add_job, add_pour_zone, add_slab
    from rakelight.log.tables import PourZone

    moment = datetime(2026, 11, 25, 7, 30, tzinfo=timezone(timedelta(hours=2)))
    add_job(log, "Bench")
    add_slab(log, "Bench", "A")
    uid = add_pour_zone(log, "Bench", "A", "A", poured_at=moment)
    with reading(log) as session:
        found = session.scalar(sa.select(PourZone.poured_at).where(PourZone.uid == uid))
    assert moment == found
    assert found.utcoffset() == timedelta(0)
    assert isinstance(PourZone.__table__.c.poured_at.type, UtcTime)
