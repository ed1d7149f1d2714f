"""Killed at any moment, and two programs at once: nothing lost, nothing half."""

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
import sqlalchemy as sa

from rakelight.log.bundle import export_job
from rakelight.log.check import check_log
from rakelight.log.connection import HEAD, open_log, read_revision, reading
from rakelight.log.intake import open_bundle
from rakelight.log.search import list_jobs, show_job
from rakelight.log.store import SurveyPlace, add_job, add_note, load_inspection, save_inspection
from rakelight.log.tables import StoredInspection

WRITER = Path(__file__).with_name("writer.py")
N_KILLS = 2


def start(task, where, photos, *rest):
    """Start a writer and wait until its log is open."""
    run = subprocess.Popen(
        [sys.executable, str(WRITER), task, str(where), str(photos), *map(str, rest)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    first = run.stdout.readline()
    assert first == "ready\n", run.stderr.read()
    return run


def kill_after(run, seconds):
    """Kill a writer as hard as can be and return what it had said."""
    time.sleep(seconds)
    run.kill()
    out, err = run.communicate()
    assert err == ""
    wait_for_server(run.args[3])
    # The last line may be cut: only whole lines were said.
    return [line.split() for line in out.split("\n")[:-1]]


def wait_for_server(where):
    """Wait until a server has noticed that the killed program is gone: its last word may still count."""
    if not where.startswith("postgresql"):
        return
    others = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    engine = sa.create_engine(where)
    with engine.connect() as connection:
        for _ in range(100):
            if not connection.scalar(sa.text(others)):
                break
            time.sleep(0.05)
    engine.dispose()


def check_whole(log):
    """Hold the whole log against its promises."""
    found = check_log(log)
    assert () == found.problems
    with reading(log) as session:
        uids = session.scalars(sa.select(StoredInspection.uid)).all()
    for uid in uids:
        load_inspection(log, uid)
    return uids


def test_killed_while_saving(where, tmp_path):
    """Every inspection that was confirmed is there, with its photo; no half one is."""
    rng = random.Random(1)
    said = []
    for _ in range(N_KILLS):
        run = start("save", where, tmp_path / "photos")
        said += kill_after(run, rng.uniform(0.05, 1.5))
        with open_log(where, photos=tmp_path / "photos") as log:
            uids = check_whole(log)
            assert {uid for _, _, uid in said} <= set(uids)
            assert {name for _, name, _ in said} <= set(list_jobs(log)["job"])
            save_inspection(log, _small(), SurveyPlace(f"after {rng.random()}"))


def _small():
    from importlib.util import module_from_spec, spec_from_file_location

    spec = spec_from_file_location("made_up", Path(__file__).with_name("conftest.py"))
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.build_inspection(n=3)


def test_killed_while_importing_and_purging(where, tmp_path, photo, make_inspection):
    """An import is there whole or not at all; so is a purge."""
    with open_log(tmp_path / "giver") as giver:
        save_inspection(giver, make_inspection(photo=photo), SurveyPlace("Bench"), photos=[photo])
        add_note(giver, "Bench", "client rang")
        bundle = export_job(giver, "Bench", tmp_path / "bench.zip")
        whole = show_job(giver, "Bench")
    rng = random.Random(2)
    for _ in range(N_KILLS):
        run = start("take", where, tmp_path / "photos", bundle)
        kill_after(run, rng.uniform(0.05, 1.5))
        with open_log(where, photos=tmp_path / "photos") as log:
            check_whole(log)
            if "Bench" in set(list_jobs(log)["job"]):
                assert whole == show_job(log, "Bench")
            check_log(log, is_tidying=True)


@pytest.mark.parametrize("task", ["purge", "migrate"])
def test_killed_while_purging_or_migrating(where, tmp_path, task, photo, make_inspection):
    """The other jobs stay as they were, and the log stands at the newest step when opened."""
    with open_log(where, photos=tmp_path / "photos") as log:
        save_inspection(log, make_inspection(photo=photo), SurveyPlace("Bench"), photos=[photo])
        whole = show_job(log, "Bench")
    rng = random.Random(3)
    for _ in range(N_KILLS):
        run = start(task, where, tmp_path / "photos")
        kill_after(run, rng.uniform(0.05, 1.5))
        with open_log(where, photos=tmp_path / "photos") as log:
            assert HEAD == read_revision(log)
            check_whole(log)
            assert whole == show_job(log, "Bench")


def test_killed_while_exporting(tmp_path, photo, make_inspection):
    """A bundle that has its name is whole."""
    (tmp_path / "out").mkdir()
    with open_log(tmp_path / "log") as log:
        save_inspection(log, make_inspection(photo=photo), SurveyPlace("Bench"), photos=[photo])
    for seconds in (0.1, 0.4):
        run = start("send", tmp_path / "log", tmp_path / "log" / "photos", tmp_path / "out")
        kill_after(run, seconds)
    for path in (tmp_path / "out").glob("*.zip"):
        with open_bundle(path) as bundle:
            for name in bundle.files:
                bundle.read(name)


def test_two_programs_write_at_once(where, tmp_path):
    """Two writers for a few seconds: no error reaches either, and no write is lost."""
    with open_log(where, photos=tmp_path / "photos") as log:
        add_job(log, "Bench")
    runs = [start("note", where, tmp_path / "photos", "Bench") for _ in range(2)]
    time.sleep(3)
    for run in runs:
        run.kill()
    said = [uid for run in runs for _, uid in kill_after(run, 0)]
    assert len(said) > 2
    with open_log(where, photos=tmp_path / "photos") as log:
        kept = {note["uid"] for note in show_job(log, "Bench")["notes"]}
        assert set(said) <= kept
        # At most the one write that each had confirmed to the log but not yet said.
        assert len(kept) - len(said) <= 2
        assert check_log(log).is_clean
