"""The job log under load, under kills, with two writers and on a full disk.

    python benchmarks/job_log.py big PLACE --jobs 1000 --rows ROWS.jsonl
    python benchmarks/job_log.py kills PLACE --n 100 --rows ROWS.jsonl
    python benchmarks/job_log.py crowd PLACE --seconds 60 --rows ROWS.jsonl
    python benchmarks/job_log.py full PLACE --rows ROWS.jsonl            (as root: mounts a disk of 24 MB)
    python benchmarks/job_log.py table --rows ROWS.jsonl --out benchmarks/results/job_log.md

PLACE is a folder (SQLite; made and filled), or postgresql://... of an EMPTY database, whose tables are dropped
first. `big` writes 1,000 jobs with 2 million pits through the real tables and times what a person waits
for. `kills` ends a program with SIGKILL at random moments of saving, importing and purging, migrating and
`rakelight inspect --job`, and holds the log against its promises each time.
"""

import argparse
import json
import os
import random
import shutil
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import sqlalchemy as sa
from PIL import Image

from rakelight.cli import main as run_command
from rakelight.core import codec
from rakelight.core.errors import LogError
from rakelight.log.bundle import export_job
from rakelight.log.check import check_log
from rakelight.log.connection import HEAD, Log, open_log, read_revision, reading, writing
from rakelight.log.history import write_history
from rakelight.log.search import Question, list_jobs, search_log, show_job
from rakelight.log.store import (
    SurveyPlace,
    add_job,
    add_note,
    load_inspection,
    make_sheets,
    save_inspection,
    sum_zones,
)
from rakelight.log.tables import (
    Job,
    Note,
    PourZone,
    Repair,
    Slab,
    StoredComparison,
    StoredInspection,
    Survey,
    ZoneSum,
)
from rakelight.simulate import Lamp, choose_recipe, simulate_photo

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "log"))
from conftest import build_inspection
from writer import TASKS, say

N_PITS = 1000
N_FORMS = 8
FRESH_EVERY = 25
KINDS_OF_KILL = ("save", "take", "purge", "migrate", "inspect")
DISK_MB = 24


def open_place(where: str, photos: Path) -> Log:
    """Return the log at a place; the photos of a log on a server lie beside the benchmark's own files."""
    return open_log(where, photos=photos)


def empty_place(where: str, photos: Path) -> None:
    """Take away what an earlier run left there."""
    shutil.rmtree(photos, ignore_errors=True)
    if "://" not in where:
        shutil.rmtree(where, ignore_errors=True)
        return
    engine = sa.create_engine(where.replace("postgresql://", "postgresql+psycopg://"))
    with engine.begin() as connection:
        connection.execute(sa.text("DROP SCHEMA public CASCADE"))
        connection.execute(sa.text("CREATE SCHEMA public"))
    engine.dispose()


def name_base(where: str) -> str:
    """Return which database a place is on."""
    return "PostgreSQL" if "://" in where else "SQLite"


# --- many jobs --------------------------------------------------------------------------------


def measure_big(where: str, photos: Path, n_jobs: int) -> dict:
    """Return how long the list, one job and searches take on many jobs, seconds (median of 7)."""
    empty_place(where, photos)
    started = time.perf_counter()
    with open_place(where, photos) as log:
        forms = [_pack_form(seed) for seed in range(N_FORMS)]
        for first in range(0, n_jobs, 50):
            with writing(log) as session:
                for number in range(first, min(first + 50, n_jobs)):
                    _write_job(session, number, forms)
        if not log.is_sqlite:
            _settle(log)
    built_s = time.perf_counter() - started
    questions = {
        "words": Question(job="basin 77"), "mix": Question(mix="mix 7"), "month": Question(month="2025-03"),
        "zone and size": Question(zone="A", min_size_mm=8.9), "reopened": Question(is_reopened=True),
        "stage": Question(stage="filling"), "everything": Question(),
    }  # fmt: skip
    with open_place(where, photos) as log:
        with reading(log) as session:
            n_pits = session.scalar(sa.select(sa.func.sum(StoredInspection.n_pits)))
        uid = show_job(log, f"Job {n_jobs // 2}")["slabs"][0]["surveys"][1]["inspections"][0]["uid"]
        times = {
            "list": _time(lambda: list_jobs(log)),
            "one job": _time(lambda: show_job(log, f"Job {n_jobs // 2}")),
            "one inspection with its pits": _time(lambda: load_inspection(log, uid)),
        }
        times |= {
            f"search: {name}": _time(lambda q=q: search_log(log, q))
            for name, q in questions.items()
        }
        found = {name: len(search_log(log, q)) for name, q in questions.items()}
        times["one pass over the inspection table (yardstick)"] = _time(lambda: _count(log))
    return {"part": "big", "base": name_base(where), "n_jobs": n_jobs, "n_pits": int(n_pits), "built_s": built_s,
            "times_s": times, "found": found, "from_cold": _time_command(where, photos)}  # fmt: skip


def _settle(log: Log) -> None:
    """Let a server count its rows, as it does by itself in use; SQLite stays as a person has it."""
    with log.engine.connect() as connection:
        connection.exec_driver_sql("ANALYZE")
        connection.commit()


def _count(log: Log) -> None:
    with reading(log) as session:
        session.execute(
            sa.select(
                sa.func.sum(StoredInspection.n_pits), sa.func.max(StoredInspection.largest_mm)
            )
        )


def _time(call: Callable[[], object], n: int = 7) -> float:
    spent = []
    for _ in range(n):
        started = time.perf_counter()
        call()
        spent.append(time.perf_counter() - started)
    return statistics.median(spent)


def _time_command(where: str, photos: Path) -> float:
    """How long `rakelight jobs list` takes from nothing, best of three, seconds."""
    command = [
        sys.executable,
        "-m",
        "rakelight",
        "jobs",
        "list",
        "--log",
        where,
        "--log-photos",
        str(photos),
    ]
    spent = []
    for _ in range(3):
        started = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        spent.append(time.perf_counter() - started)
    return min(spent)


def _pack_form(seed: int) -> tuple:
    """One made-up inspection, packed, to be written many times: its sheets as kept, its sums."""
    made = build_inspection(seed, n=N_PITS)
    sheets, _ = codec.pack_inspection(made)
    return sheets, codec.fingerprint_sheets(sheets), made, sum_zones(made.pits)


def _write_job(session, number: int, forms: list) -> None:
    from datetime import UTC, datetime, timedelta

    day = datetime(2024, 1, 3, 8, tzinfo=UTC) + timedelta(hours=17 * number)
    job = Job(
        name=f"Job {number}",
        client=f"client {number % 173}",
        site=f"site {number % 31}",
        words=f"basin {number}",
    )
    session.add(job)
    write_history(session, job, "add")
    slab = Slab(job_id=job.id, name="A", width_mm=2400.0, height_mm=700.0)
    session.add(slab)
    session.flush()
    session.add(PourZone(slab_id=slab.id, name="A", mix=f"mix {number % 20}", poured_at=day))
    session.add(
        Repair(
            slab_id=slab.id, action="fill", n_pits=40, minutes=50.0, grams=90.0, material="white"
        )
    )
    session.add_all(Note(job_id=job.id, text=f"remark {k} on {number}") for k in range(3))
    rows = []
    for k, stage in enumerate(("after demold", "after filling")):
        rows.append(
            _write_survey(
                session, slab, day + timedelta(days=k), stage, forms[(number + k) % len(forms)]
            )
        )
    session.add(
        StoredComparison(
            before_id=rows[0].id, after_id=rows[1].id, version="0.1.0", n_closed=700, n_dished=90, n_open=210,
            n_new=12, n_unseen=30, n_reopened=int(number % 40 == 0), fingerprint=f"{number:064d}",
        )
    )  # fmt: skip


def _write_survey(session, slab: Slab, day, stage: str, form: tuple) -> StoredInspection:
    sheets, mark, made, zones = form
    survey = Survey(slab_id=slab.id, stage=stage, taken_at=day)
    session.add(survey)
    session.flush()
    sizes = made.pits["diameter_mm"]
    row = StoredInspection(
        survey_id=survey.id, version="0.1.0", schema=made.schema, verdict="good", n_pits=len(sizes),
        n_pinholes=int((sizes < 2).sum()), n_bug_holes=int((sizes >= 2).sum()), n_voids=0,
        largest_mm=float(sizes.max()), smallest_countable_mm=1.0, area_share=0.004, seen_mm2=1.6e6, fingerprint=mark,
    )  # fmt: skip
    session.add(row)
    write_history(session, row, "add")
    session.add_all(make_sheets(sheets, inspection_id=row.id))
    session.add_all(ZoneSum(inspection_id=row.id, **sums) for sums in zones)
    return row


# --- kills --------------------------------------------------------------------------------------


def measure_kills(where: str, photos: Path, n: int, seed: int) -> dict:
    """Return what n kills at random moments left behind: broken promises by kind of work."""
    rng = random.Random(seed)
    told = {kind: {"kills": 0, "confirmed": 0} for kind in KINDS_OF_KILL}
    broken: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        bundle, picture = _make_bundle(Path(scratch)), _make_photo(Path(scratch))
        _inspect(picture, Path(scratch) / "warm", "--no-log")  # loads what every fork then has
        for number in range(n):
            if number % FRESH_EVERY == 0:
                _begin(where, photos, picture)
            kind = KINDS_OF_KILL[number % len(KINDS_OF_KILL)]
            said = _kill_once(kind, where, photos, (bundle, picture, Path(scratch) / "out"), rng)
            told[kind]["kills"] += 1
            told[kind]["confirmed"] += len(said)
            broken += [
                f"{kind}: {word}"
                for word in _find_broken(where, photos, kind, said, Path(scratch) / "out")
            ]
    return {
        "part": "kills",
        "base": name_base(where),
        "n": n,
        "seed": seed,
        "kinds": told,
        "broken": broken,
    }


def _make_bundle(scratch: Path) -> Path:
    with open_log(scratch / "giver") as giver:
        photo = scratch / "photo.jpg"
        photo.write_bytes(os.urandom(300_000))
        save_inspection(
            giver, build_inspection(n=40, photo=photo), SurveyPlace("Sent"), photos=[photo]
        )
        add_note(giver, "Sent", "client rang")
        return export_job(giver, "Sent", scratch / "sent.zip")


def _make_photo(scratch: Path) -> Path:
    recipe = choose_recipe("worn", size_mm=(90, 68), mm_per_px=0.15, pits_per_m2=4000)
    path = scratch / "face.jpg"
    Image.fromarray(simulate_photo(910_900, recipe=recipe, lamp=Lamp(270.0, 15.0)).rgb).save(
        path, quality=92
    )
    return path


def _begin(where: str, photos: Path, picture: Path) -> None:
    empty_place(where, photos)
    with open_place(where, photos) as log:
        save_inspection(log, build_inspection(n=10), SurveyPlace("Bench"))


def _kill_once(
    kind: str, where: str, photos: Path, files: tuple, rng: random.Random
) -> list[list[str]]:
    """Fork, let the child work, kill it as hard as can be and return the whole lines it had said."""
    bundle, picture, out = files
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            _work(kind, where, photos, (bundle, picture, out), writer)
        except BaseException:  # noqa: BLE001  told to the parent, which counts it
            traceback.print_exc()
        finally:
            os._exit(9)  # a fork must never go on in its parent's place
    os.close(writer)
    _wait_for_moment(kind, reader, out, rng)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    text = b""
    while chunk := os.read(reader, 1 << 16):
        text += chunk
    os.close(reader)
    _wait_for_server(where)
    # The last line may be cut: only whole lines were said.
    return [line.split() for line in text.decode().split("\n")[:-1]]


def _work(kind: str, where: str, photos: Path, files: tuple, writer: int) -> None:
    bundle, picture, out = files
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for channel in (1, 2):  # what `inspect` tells the person is not a confirmation
        os.dup2(nowhere if kind == "inspect" else writer, channel)
    sys.stdout = os.fdopen(1, "w", closefd=False)
    if kind == "inspect":
        while True:
            job = f"Killed {random.getrandbits(64):x}"
            code = _inspect(picture, out, "--job", job, "--log", where, "--log-photos", str(photos))
            os.write(writer, f"inspected {job.replace(' ', '_')} {code}\n".encode())
    with open_place(where, photos) as log:
        say("ready")
        TASKS[kind](log, str(bundle))


def _inspect(picture: Path, out: Path, *more: str) -> object:
    """Return the exit code of `rakelight inspect` in this process."""
    scale = ["--mm-per-px", "0.15", "--lamp-from", "270", "--lamp-angle", "15"]
    try:
        run_command(["inspect", str(picture), *scale, "--out", str(out), *more])
    except SystemExit as ended:
        return ended.code
    return None


def _wait_for_moment(kind: str, reader: int, out: Path, rng: random.Random) -> None:
    """Wait for a random moment: anywhere in the work, for inspections half of the time while they are kept."""
    if kind != "inspect":
        time.sleep(rng.uniform(0.02, 0.8))
        return
    if rng.random() < 0.5:
        time.sleep(rng.uniform(0.05, 2.5))
        return
    record, until = out / "record.zip", time.monotonic() + 20
    was = record.stat().st_mtime_ns if record.exists() else 0
    while time.monotonic() < until and (not record.exists() or record.stat().st_mtime_ns == was):
        time.sleep(0.002)
    time.sleep(rng.uniform(0, 0.12))


def _wait_for_server(where: str) -> None:
    if "://" not in where:
        return
    others = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    engine = sa.create_engine(where.replace("postgresql://", "postgresql+psycopg://"))
    with engine.connect() as connection:
        for _ in range(100):
            if not connection.scalar(sa.text(others)):
                break
            time.sleep(0.02)
    engine.dispose()


def _find_broken(
    where: str, photos: Path, kind: str, said: list[list[str]], out: Path
) -> list[str]:
    """Return the promises that a kill broke: lost or half records, a log that does not go on."""
    broken = []
    try:
        with open_place(where, photos) as log:
            broken += [f"check: {problem}" for problem in check_log(log, is_tidying=True).problems]
            if read_revision(log) != HEAD:
                broken.append("not at the newest step")
            with reading(log) as session:
                uids = set(session.scalars(sa.select(StoredInspection.uid)))
            for uid in uids:
                load_inspection(log, uid)
            names = set(list_jobs(log)["job"])
            for line in said:
                if line[0] == "saved" and (line[2] not in uids or line[1] not in names):
                    broken.append("a confirmed save is lost")
                if line[0] == "inspected" and (
                    line[2] not in ("0", "3") or line[1].replace("_", " ") not in names
                ):
                    broken.append(f"a confirmed inspection is lost or failed: {line}")
                if line[0] not in ("ready", "saved", "inspected", "imported", "purged", "migrated"):
                    broken.append(f"it said: {' '.join(line)}")
            if kind == "take" and "Sent" in names and len(show_job(log, "Sent")["notes"]) != 1:
                broken.append("half an import")
            save_inspection(
                log, build_inspection(n=3), SurveyPlace(f"after {random.getrandbits(64):x}")
            )
    except LogError as trouble:
        broken.append(f"the next run: {trouble}")
    if out.exists() and len(list(out.iterdir())) != 11:
        broken.append("half a folder")
    return broken


# --- two writers, a full disk ---------------------------------------------------------------------


def measure_crowd(where: str, photos: Path, seconds: float) -> dict:
    """Return what two programs wrote at once: confirmed, kept, and what either complained of."""
    empty_place(where, photos)
    with open_place(where, photos) as log:
        add_job(log, "Bench")
    outputs = _write_at_once(where, photos, seconds)
    _wait_for_server(where)
    lines = [line.split() for out, _ in outputs for line in out.split("\n")[:-1]]
    with open_place(where, photos) as log:
        notes = {note["uid"] for note in show_job(log, "Bench")["notes"]}
        with reading(log) as session:
            uids = set(session.scalars(sa.select(StoredInspection.uid)))
        problems = list(check_log(log).problems)
    noted = {line[1] for line in lines if line[0] == "noted"}
    saved = {line[2] for line in lines if line[0] == "saved"}
    return {
        "part": "crowd", "base": name_base(where), "seconds": seconds, "noted": len(noted), "saved": len(saved),
        "lost": len(noted - notes) + len(saved - uids), "unsaid": len(notes - noted) + len(uids - saved),
        "complaints": [err.strip().splitlines()[-1] for _, err in outputs if err.strip()], "problems": problems,
    }  # fmt: skip


def _write_at_once(where: str, photos: Path, seconds: float) -> list[tuple[str, str]]:
    """Return what two writers said and complained of until they were stopped, both at work for `seconds`."""
    script = Path(__file__).parents[1] / "tests" / "log" / "writer.py"
    with tempfile.TemporaryDirectory() as scratch:
        files = {
            task: (Path(scratch) / f"{task}.out", Path(scratch) / f"{task}.err")
            for task in ("note", "save")
        }
        runs = []
        for task, (out, err) in files.items():
            command = [sys.executable, str(script), task, where, str(photos), "Bench"]
            runs.append(subprocess.Popen(command, stdout=out.open("w"), stderr=err.open("w")))
        while not all(out.read_text().startswith("ready") for out, _ in files.values()):
            if any(run.poll() is not None for run in runs):
                break  # it ended before it began: its complaint is told
            time.sleep(0.05)
        time.sleep(seconds)
        for run in runs:
            run.kill()
            run.wait()
        return [(out.read_text(), err.read_text()) for out, err in files.values()]


def measure_full(place: Path) -> dict:
    """Return what happens when the disk fills up: the sentence, what is lost, whether it goes on."""
    place.mkdir(parents=True, exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)]
    subprocess.run(mount, check=True)
    kept, sentences = [], []
    try:
        with tempfile.TemporaryDirectory() as scratch, open_log(place / "log") as log:
            _fill_up(log, Path(scratch), kept, sentences)
            n_free = shutil.disk_usage(place).free
            problems = list(check_log(log).problems)
            lost = [uid for uid in kept if len(load_inspection(log, uid).pits) != 60]
            _try(lambda: export_job(log, "Job 0", place / "sent.zip"), sentences)
            leftovers = [path.name for path in place.iterdir() if path.name != "log"]
            subprocess.run(["mount", "-o", f"remount,size={3 * DISK_MB}m", str(place)], check=True)
            save_inspection(log, build_inspection(n=60), SurveyPlace("afterwards"))
            problems += list(check_log(log).problems)
        raw = sqlite3.connect(place / "log" / "log.sqlite")
        whole = raw.execute("PRAGMA integrity_check").fetchone()[0]
        raw.close()
    finally:
        subprocess.run(["umount", str(place)], check=False)
    return {"part": "full", "base": "SQLite", "disk_mb": DISK_MB, "kept": len(kept),
            "lost": len(lost), "free_bytes": n_free,
            "sentences": sentences, "problems": problems, "leftovers": leftovers, "integrity": whole}  # fmt: skip


def _fill_up(log: Log, scratch: Path, kept: list[str], sentences: list[str]) -> None:
    """Save inspections with large photos until the disk is full, then with small ones, then notes."""
    for size in (900_000, 60_000, 0):
        for _ in range(500):
            photo = scratch / "photo.jpg"
            photo.write_bytes(os.urandom(size or 10))
            made = build_inspection(len(kept), n=60, photo=photo)
            place = SurveyPlace(f"Job {len(kept)}")
            if not _try(
                lambda m=made, p=place, f=photo: kept.append(
                    save_inspection(log, m, p, photos=[f])
                ),
                sentences,
            ):
                break
    for number in range(2000):
        if not _try(lambda n=number: add_note(log, "Job 0", f"{n} " + "word " * 2000), sentences):
            break


def _try(call: Callable[[], object], sentences: list[str]) -> bool:
    try:
        call()
    except LogError as trouble:
        sentences.append(str(trouble))
        return False
    return True


# --- the page -------------------------------------------------------------------------------------


def write_table(rows: list[dict]) -> str:
    """Return the page of results."""
    lines = [
        "# The job log", "",
        "    python benchmarks/job_log.py big PLACE --rows ROWS.jsonl          1,000 jobs, 2 million pits",
        "    python benchmarks/job_log.py kills PLACE --n 100 --rows ROWS.jsonl",
        "    python benchmarks/job_log.py crowd PLACE --seconds 60 --rows ROWS.jsonl",
        "    python benchmarks/job_log.py full PLACE --rows ROWS.jsonl",
        "    python benchmarks/job_log.py table --rows ROWS.jsonl --out benchmarks/results/job_log.md", "",
        "PLACE is a folder (SQLite) or the address of an empty PostgreSQL database on the same machine.", "",
    ]  # fmt: skip
    tell = {"big": _tell_big, "kills": _tell_kills, "crowd": _tell_crowd, "full": _tell_full}
    for part, title in (
        ("big", "Waiting times"),
        ("kills", "Kills"),
        ("crowd", "Two programs at once"),
        ("full", "A full disk"),
    ):
        chosen = [row for row in rows if row["part"] == part]
        if chosen:
            lines += [f"## {title}", "", *tell[part](chosen), ""]
    return "\n".join(lines)


def _tell_big(rows: list[dict]) -> list[str]:
    yard = "one pass over the inspection table (yardstick)"
    lines = [
        "Median of seven in one program, on two busy cores; in brackets the ratio to one pass over the inspections.",
        "",
    ]
    lines += [
        "| seconds | "
        + " | ".join(
            f"{row['base']}, {row['n_jobs']} jobs, {row['n_pits'] / 1e6:.1f} million pits"
            for row in rows
        )
        + " |"
    ]
    lines += ["|---|" + "---|" * len(rows)]
    for name in rows[0]["times_s"]:
        cells = [
            f"{row['times_s'][name]:.3f} ({row['times_s'][name] / row['times_s'][yard]:.0f})"
            for row in rows
        ]
        found = rows[0]["found"].get(name.removeprefix("search: "))
        lines.append(
            f"| {name}{'' if found is None else f' ({found} found)'} | " + " | ".join(cells) + " |"
        )
    lines.append(
        "| `rakelight jobs list` from a cold start | "
        + " | ".join(f"{row['from_cold']:.2f}" for row in rows)
        + " |"
    )
    return lines


def _tell_kills(rows: list[dict]) -> list[str]:
    lines = ["SIGKILL at random moments. After each: `jobs check`, every inspection read whole, every confirmed",
             "write looked for, the folder of `inspect` whole or absent, and a new inspection saved.", "",
             "| database | while | kills | writes it had confirmed | lost, half or complaining |",
             "|---|---|---|---|---|"]  # fmt: skip
    for base in dict.fromkeys(row["base"] for row in rows):
        for kind in KINDS_OF_KILL:
            mine = [row for row in rows if row["base"] == base]
            kills, confirmed = (
                sum(row["kinds"][kind][name] for row in mine) for name in ("kills", "confirmed")
            )
            n_broken = sum(word.startswith(f"{kind}:") for row in mine for word in row["broken"])
            lines.append(f"| {base} | {kind} | {kills} | {confirmed} | {n_broken} |")
    n = sum(row["n"] for row in rows)
    broken = [word for row in rows for word in row["broken"]]
    return [
        *lines,
        "",
        f"{n} kills, {len(broken)} broken promises." + "".join(f"\n- {word}" for word in broken),
    ]


def _tell_crowd(rows: list[dict]) -> list[str]:
    lines = ["One program writes notes, one saves inspections with a photo of 200 kB, into one log.", "",
             "| database | seconds | notes | inspections | lost | errors that reached a user | check |",
             "|---|---|---|---|---|---|---|"]  # fmt: skip
    for row in rows:
        check = "clean" if not row["problems"] else f"{len(row['problems'])} problems"
        lines.append(
            f"| {row['base']} | {row['seconds']:.0f} | {row['noted']} | {row['saved']} | {row['lost']} | "
            f"{len(row['complaints'])} | {check} |"
        )
    return lines


def _tell_full(rows: list[dict]) -> list[str]:
    lines = []
    for row in rows:
        lines += [
            f"On a disk of {row['disk_mb']} MB {row['kept']} inspections were kept before it was full to the last "
            f"{row['free_bytes'] / 1000:.0f} kB, with photos and with notes alone; {row['lost']} of them lost, "
            f"{len(row['problems'])} problems found by the check, database {row['integrity']}, left behind: "
            f"{', '.join(row['leftovers']) or 'nothing'}. With room again the next inspection was kept. "
            "A person was told:",
            "", *(f"> {sentence}" for sentence in dict.fromkeys(row["sentences"])), "",
        ]  # fmt: skip
    return lines


def main() -> None:
    """Run one part, or write the page."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("part", choices=("big", "kills", "crowd", "full", "table"))
    parser.add_argument("place", nargs="?", default="")
    parser.add_argument("--rows", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=1000)
    parser.add_argument("--n", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    np.seterr(all="ignore")
    rows = (
        [json.loads(line) for line in asked.rows.read_text().splitlines()]
        if asked.rows.exists()
        else []
    )
    if asked.part == "table":
        page = write_table(rows)
        asked.out.write_text(page + "\n") if asked.out else print(page)
        return
    photos = (
        Path(tempfile.gettempdir()) / "job_log_photos"
        if "://" in asked.place
        else Path(asked.place) / "photos"
    )
    parts = {
        "big": lambda: measure_big(asked.place, photos, asked.jobs),
        "kills": lambda: measure_kills(asked.place, photos, asked.n, asked.seed),
        "crowd": lambda: measure_crowd(asked.place, photos, asked.seconds),
        "full": lambda: measure_full(Path(asked.place)),
    }
    row = parts[asked.part]()
    with asked.rows.open("a") as file:
        file.write(json.dumps(row) + "\n")
    print(row)


if __name__ == "__main__":
    main()
