"""A batch that is stopped, killed, repeated, and one that runs on Dask: the same records."""

import dataclasses
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import Future
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from PIL import Image

from rakelight.batch.ledger import find_done, hold_out, make_key
from rakelight.batch.manifest import list_items
from rakelight.batch.pools import LocalPool
from rakelight.batch.run import DIED, make_order, read_task, run_batch
from rakelight.batch.summary import make_summary, write_tables
from rakelight.batch.trends import find_trends
from rakelight.batch.work import Order, inspect_task
from rakelight.core.errors import OutputError, SettingsError
from rakelight.core.settings import BatchSettings
from rakelight.core.tables import countable, parse_csv, write_whole
from rakelight.log.connection import open_log
from rakelight.log.search import list_jobs
from rakelight.log.store import load_inspection

WORDS = ["--scale", "0.15", "--lamp", "270 15", "--stage", "after demold", "--job", "Plant"]


def run(source, out, order, said, *, n_workers=2, **more):
    """Return the summary and the result of a batch of our own processes."""
    pool = more.pop("pool", None) or LocalPool(
        n_workers, threads=1, limit_s=more.pop("limit_s", 0.0)
    )
    result = run_batch(list_items(str(source), said=said), order, Path(out), pool=pool, **more)
    return make_summary(result.rows), result


def plain(summary):
    """Return the summary without what differs between logs and places."""
    return summary.drop(columns=["photo", "inspection"]).to_csv()


@pytest.fixture(scope="module")
def once(plant, said, settings, tmp_path_factory):
    """Return the folder, order, summary and result of the plant measured once, with a log."""
    out = tmp_path_factory.mktemp("once")
    order = make_order(settings, log=str(out / "log"))
    summary, result = run(plant, out / "batch", order, said)
    return out, order, summary, result


def test_one_bad_photo_never_stops_the_rest(once):
    """Six photos are measured, the torn one keeps its sentence, and pits were found."""
    _, _, summary, result = once
    assert {"measured": 6, "failed": 1} == summary["state"].value_counts().to_dict()
    (torn,) = summary.loc[summary["state"] == "failed", "sentence"]
    assert "not a picture" in torn
    assert summary["n_pits"].sum() > 10
    assert (6, 0, 1) == (
        result.progress.n_measured,
        result.progress.n_known,
        result.progress.n_failed,
    )


def test_the_log_holds_every_photo_once(once):
    """One job, two slabs, six inspections; each row names the inspection whose countable pits it counts."""
    out, _, summary, _ = once
    with open_log(out / "log") as log:
        jobs = list_jobs(log)
        assert [("Plant", 2, 6)] == list(
            jobs[["job", "n_slabs", "n_surveys"]].itertuples(index=False, name=None)
        )
        row = summary[summary["state"] == "measured"].iloc[0]
        inspection = load_inspection(log, row["inspection"])
    assert row["n_pits"] == countable(inspection.pits).sum()
    assert row["sha256"] == inspection.photos[0]["sha256"]


class Untouched:
    """A pool that must not be asked for anything but the photo that failed."""

    n_workers = 1

    def submit(self, task, order):
        """Answer here and now for the torn photo; fail the test for any other."""
        assert task.item.photo.endswith("torn.jpg"), "nothing else is left to do"
        future = Future()
        future.set_result(inspect_task(task, order))
        return future

    def renew(self):
        """Nothing."""

    def close(self, *, is_hurried=False):
        """Nothing."""


def test_started_again_nothing_is_measured_twice(once, plant, said):
    """All six are known, and the table is the same to the letter."""
    out, order, summary, _ = once
    again, result = run(plant, out / "batch", order, said, pool=Untouched())
    assert (0, 6, 1) == (
        result.progress.n_measured,
        result.progress.n_known,
        result.progress.n_failed,
    )
    assert summary.to_csv() == again.to_csv()


def test_one_worker_or_two_or_none_give_the_same(once, plant, said, settings):
    """The function called here and now gives the figures that came from the pool."""
    _, _, summary, _ = once
    order = Order(settings.to_mapping())
    for item, row in zip(list_items(str(plant), said=said)[:3], summary.itertuples(), strict=False):
        outcome = inspect_task(read_task(item, order), order)
        assert "" == outcome.sentence
        assert row.n_pits == outcome.figures["n_pits"]
        assert row.pits_per_m2 == pytest.approx(outcome.figures["pits_per_m2"], rel=1e-12)


def test_key_changes_with_all_that_matters_and_nothing_else(plant, said, settings):
    """Another photo, scale, lamp, stage, day, setting, agreement or log is another key; threads and mix are not."""
    item = list_items(str(plant), said=said)[0]
    order = Order(settings.to_mapping())
    base = make_key(item, {"photo": b"x"}, order)
    finer = order.settings | {"find": order.settings["find"] | {"smallest_mm": 0.8}}
    threads = order.settings | {"find": order.settings["find"] | {"threads": 7}}
    others = [
        make_key(item, {"photo": b"y"}, order),
        make_key(item, {"photo": b"x", "soft_light": b""}, order),
        make_key(item, {"photo": b"x"}, Order(finer)),
        make_key(item, {"photo": b"x"}, Order(order.settings, log="elsewhere")),
        make_key(item, {"photo": b"x"}, Order(order.settings, agreed=b"smallest_mm = 2")),
        *(make_key(dataclasses.replace(item, **{name: "9"}), {"photo": b"x"}, order) for name in
          ("job", "slab", "stage", "scale", "lamp", "day")),
    ]  # fmt: skip
    assert 12 == len({base, *others})
    assert base == make_key(
        dataclasses.replace(item, mix="M2", mould="3"), {"photo": b"x"}, Order(threads)
    )


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"key": "other", "figures": {}}', "[" * 100_000, '{"figures": 3}']
)
def test_a_damaged_note_is_as_good_as_none(tmp_path, text):
    """What a power cut left of a note is measured again, never believed."""
    place = tmp_path / "done" / "ab" / "abc.json"
    write_whole(place, text.encode())
    assert find_done(tmp_path, "abc") is None


def test_a_killed_worker_loses_nothing(plant, said, settings, tmp_path, once):
    """One of two workers is killed after the first photo; the table is that of an undisturbed run."""
    killed = []

    def kill_one(progress):
        if not killed and progress.n_measured == 1:
            victim = multiprocessing.active_children()[0]
            killed.append(victim.pid)
            os.kill(victim.pid, signal.SIGKILL)

    summary, result = run(plant, tmp_path, Order(settings.to_mapping()), said, tell=kill_one)
    assert 1 == len(killed)
    assert 6 == result.progress.n_measured
    assert plain(once[2]) == plain(summary)


def test_a_photo_that_ends_its_worker_is_set_aside(plant, said, settings, tmp_path):
    """With a hundredth of a second for each photo every worker ends: all fail with a sentence, none hangs."""
    summary, _ = run(
        plant / "slab 0", tmp_path, Order(settings.to_mapping()), said,
        limit_s=0.01, settings=BatchSettings(retries=0),
    )  # fmt: skip
    assert {DIED} == set(summary["sentence"])
    assert (summary["state"] == "failed").all()


def test_two_batches_never_write_into_one_folder(plant, said, settings, tmp_path):
    """The second says so and leaves the first alone."""
    with hold_out(tmp_path), pytest.raises(OutputError, match="Another batch"):
        run(plant, tmp_path, Order(settings.to_mapping()), said, pool=Untouched())


def start(plant, out, *more):
    """Start the command in a process of its own and return it."""
    command = [
        sys.executable,
        "-m",
        "rakelight",
        "batch",
        plant,
        *WORDS,
        "--out",
        out / "batch",
        "--log",
        out / "log",
    ]
    return subprocess.Popen(
        [str(word) for word in [*command, "--workers", 2, *more]],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip


def wait_for_notes(process, out, n_notes):
    """Wait until so many photos are noted; fail when the command ends before."""
    until = time.monotonic() + 60
    while len(list((out / "batch").glob("done/*/*.json"))) < n_notes:
        assert process.poll() is None and time.monotonic() < until, process.communicate()[1]
        time.sleep(0.005)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGKILL])
def test_stopped_and_started_again_nothing_is_lost(plant, tmp_path, once, stop):
    """Stopped after two photos and started again: the very table and the very log of one run."""
    process = start(plant, tmp_path)
    wait_for_notes(process, tmp_path, 2)
    if stop == signal.SIGINT:
        os.kill(process.pid, stop)
        assert "Stopped" in process.communicate(timeout=60)[1]
        assert 130 == process.returncode
        assert (tmp_path / "batch" / "summary.csv").is_file()
    else:
        os.kill(process.pid, stop)
        process.communicate(timeout=60)  # ends only when the workers have let go of its pipes
    n_noted = len(list((tmp_path / "batch").glob("done/*/*.json")))
    again = start(plant, tmp_path)
    said_after = again.communicate(timeout=120)[0]
    assert 2 == again.returncode  # the torn photo wants something changed
    assert f"{6 - n_noted} photos measured, {n_noted} known from before" in said_after
    assert [] == list((tmp_path / "batch").rglob("*.part"))
    summary = pd.read_parquet(tmp_path / "batch" / "summary.parquet")
    assert plain(once[2]) == plain(summary.astype(once[2].dtypes.to_dict()))
    with open_log(tmp_path / "log") as log:
        assert 6 == list_jobs(log)["n_surveys"].iloc[0]
        assert [] == log.photos.list_passing() or stop == signal.SIGKILL


def test_an_address_gives_the_same_as_a_folder(plant, said, settings, tmp_path, once):
    """Photos in `memory://` are measured by workers that cannot see that memory."""
    fsspec = pytest.importorskip("fsspec")
    store = fsspec.filesystem("memory")
    for file in plant.rglob("*.jpg"):
        store.pipe(f"/plant/{file.relative_to(plant).as_posix()}", file.read_bytes())
    try:
        summary, _ = run("memory://plant", tmp_path, Order(settings.to_mapping()), said)
    finally:
        store.rm("/plant", recursive=True)
    assert plain(once[2]).replace("torn", "") == plain(summary).replace("torn", "")


def test_both_tables_hold_the_same_and_run_no_formula(once, tmp_path):
    """CSV and Parquet read back alike; a slab called =1+1 stays text in a spreadsheet."""
    summary = once[2].copy()
    summary.loc[0, "slab"] = "=1+1"
    write_tables(summary, find_trends(summary), tmp_path)
    assert ",'=1+1," in (tmp_path / "summary.csv").read_text()
    from rakelight.core.records import BATCH_COLUMNS

    back = parse_csv(tmp_path / "summary.csv", BATCH_COLUMNS)
    parquet = pd.read_parquet(tmp_path / "summary.parquet")
    assert "=1+1" == back["slab"].iloc[0] == parquet["slab"].iloc[0]
    assert back["n_pits"].tolist() == parquet["n_pits"].tolist()


def test_a_folder_that_cannot_be_written_is_one_sentence(plant, said, settings, tmp_path):
    """A file where the results should go: one sentence before any photo is read."""
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputError, match=r"\.$"):
        run(plant, tmp_path / "out", Order(settings.to_mapping()), said, pool=Untouched())
    assert "mine" == (tmp_path / "out").read_text()


def test_no_scheduler_is_one_sentence():
    """An address where nobody listens."""
    pytest.importorskip("distributed")
    from rakelight.batch.pools import ClusterPool

    with pytest.raises(SettingsError, match=r"\.$"):
        ClusterPool("tcp://127.0.0.1:9", connect_s=1)


@pytest.mark.slow
def test_dask_gives_the_same_and_survives_a_lost_worker(plant, tmp_path, once):
    """A scheduler and two workers started by themselves; one worker is killed on the way."""
    pytest.importorskip("distributed")
    place = tmp_path / "scheduler.json"
    environment = {**os.environ, "DASK_DISTRIBUTED__DASHBOARD__LINK": "", "OMP_NUM_THREADS": "1"}
    options = dict(
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment, cwd=tmp_path
    )
    dask = [sys.executable, "-m", "dask"]
    processes = [
        subprocess.Popen(
            [*dask, "scheduler", "--scheduler-file", place, "--port", "0", "--no-dashboard"],
            **options,
        )
    ]
    worker = [
        *dask,
        "worker",
        "--scheduler-file",
        place,
        "--nthreads",
        "1",
        "--no-dashboard",
        "--no-nanny",
    ]
    processes += [subprocess.Popen(worker, **options) for _ in range(2)]
    try:
        until = time.monotonic() + 60
        while not place.exists() or not place.read_text():
            assert time.monotonic() < until
            time.sleep(0.05)
        address = json.loads(place.read_text())["address"]
        wait_for_workers(address, 2)
        batch = start(plant, tmp_path, "--scheduler", address)
        wait_for_notes(batch, tmp_path, 1)
        processes[-1].kill()
        batch.communicate(timeout=120)
        assert 2 == batch.returncode
    finally:
        for process in processes:
            process.kill()
            process.wait()
    summary = pd.read_parquet(tmp_path / "batch" / "summary.parquet")
    assert plain(once[2]) == plain(summary.astype(once[2].dtypes.to_dict()))


def wait_for_workers(address, n_workers):
    """Wait until a scheduler has so many workers."""
    from distributed import Client

    with Client(address, timeout=30, set_as_default=False) as client:
        client.wait_for_workers(n_workers, timeout=60)


def test_summary_without_day_in_the_photo(once):
    """The made-up photos carry no day: the trend table is empty and has all columns."""
    assert find_trends(once[2]).empty


def test_last_digits_make_no_difference():
    """Figures that differ in their fifteenth digit, as with other threads, make the same record."""
    from rakelight.batch.work import _round_floats
    from rakelight.core.records import Lamp

    one = Lamp(
        270.0,
        15.0,
        side_evidence=0.5,
        axis_deg=131.35073633158186,
        figures={"strength": 0.31028629321451984},
    )
    other = Lamp(
        270.0,
        15.0,
        side_evidence=0.5,
        axis_deg=131.35073633158183,
        figures={"strength": 0.3102862932145198},
    )
    assert one != other
    assert _round_floats(one) == _round_floats(other)
    assert 131.3507363 == pytest.approx(_round_floats(one).axis_deg, abs=1e-7)
    assert [True, 7, "x", (1.5, None)] == _round_floats([True, 7, "x", (1.5, None)])


def test_a_screenshot_is_no_slab(plant, said, settings, tmp_path):
    """A page among the photos keeps its sentence and never reaches the log."""
    page = np.full((500, 700, 3), 250, np.uint8)
    for row in range(30, 480, 24):
        cv2.putText(page, "not a slab but a page of words", (20, row), 0, 0.7, (30, 30, 40), 2)
    Image.fromarray(page).save(tmp_path / "page.png")
    item = list_items(str(tmp_path), said=said)[0]
    order = Order(settings.to_mapping(), log=str(tmp_path / "log"))
    outcome = inspect_task(read_task(item, order), order)
    assert "not like a photo of a cast face" in outcome.sentence
    assert not (tmp_path / "log").exists()


def test_a_full_disk_is_one_sentence(tmp_path, monkeypatch):
    """When a file cannot take its name nothing of it is left."""

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OutputError, match="make room"):
        write_whole(tmp_path / "x.csv", b"1")
    assert [] == list(tmp_path.iterdir())
