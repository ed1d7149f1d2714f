"""A plant's photos in small: two workers against one, Dask, kills, and eight writers on PostgreSQL.

    python benchmarks/batch.py --photos 500
    python benchmarks/batch.py --photos 500 --parts speed dask kill worker
    python benchmarks/batch.py --parts postgres --postgres postgresql://postgres@127.0.0.1:5432/postgres

The photos are cut from a few made-up faces, each with noise of its own, so that no two are the same file. Every part
runs the real command (`rakelight batch`) with a log. "Repeated" is the share of photos measured or begun before the
stop and measured again after it. With the machine busy elsewhere the ratio of two workers to one
says little: the load is printed beside it.
"""

import argparse
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from PIL import Image

from rakelight.simulate import Lamp, choose_recipe, simulate_photo

SIZE_PX = (480, 360)  # small photos, cheap to make
N_FACES = 6
N_WORKERS = 2
N_IN_HAND = 2 * N_WORKERS  # two tasks per worker
WORDS = ["--scale", "0.15", "--lamp", "270 15", "--stage", "after demold", "--job", "Plant"]


@dataclass(frozen=True)
class Took:
    """How long a run took: seconds on the clock, and seconds of all processors together."""

    seconds: float
    spent_s: float

    def __str__(self) -> str:
        return f"{self.seconds:.1f} s ({self.spent_s:.1f} s of processors)"


def make_photos(folder: Path, n: int) -> None:
    """Write so many different photos and a manifest with slabs, mixes, moulds and days."""
    width, height = SIZE_PX
    recipe = choose_recipe(
        "worn", size_mm=(width * 0.15 + 30, height * 0.15 + 30), mm_per_px=0.15, pits_per_m2=2500
    )
    faces = [
        simulate_photo(70 + k, recipe=recipe, lamp=Lamp(270.0, 15.0)).rgb for k in range(N_FACES)
    ]
    rows = []
    for k in range(n):
        rng = np.random.default_rng(k)
        top, left = rng.integers(0, 190, 2)
        cut = faces[k % N_FACES][top : top + height, left : left + width]
        noisy = np.clip(cut + rng.normal(0, 1.5, cut.shape), 0, 255).astype(np.uint8)
        Image.fromarray(noisy).save(folder / f"{k:05d}.jpg", quality=92)
        day = pd.Timestamp("2026-01-05") + pd.Timedelta(days=k * 180 // n)
        rows.append(
            {
                "photo": f"{k:05d}.jpg",
                "slab": f"slab {k}",
                "mix": f"grey {k % 3}",
                "mould": str(k % 7),
                "day": str(day.date()),
            }
        )
    pd.DataFrame(rows).to_csv(folder / "manifest.csv", index=False)


def start(
    folder: Path, out: Path, *more: object, log: object = None, words: bool = True
) -> subprocess.Popen:
    """Start the command and return its process."""
    command = [
        sys.executable,
        "-m",
        "rakelight",
        "batch",
        folder / "manifest.csv",
        "--out",
        out,
        *WORDS,
    ]
    command += ["--log", log or out / "log", *more]
    with (out.parent / f"{out.name}.txt").open("a") as told:
        return subprocess.Popen(
            [str(word) for word in command], stdout=told, stderr=told, start_new_session=True
        )


def run(folder: Path, out: Path, *more: object, log: object = None) -> Took:
    """Run the command to its end and return the seconds it took, on the clock and of processors."""
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    code = start(folder, out, *more, log=log).wait()
    if code:
        raise SystemExit(
            f"ended with {code}: {(out.parent / f'{out.name}.txt').read_text()[-800:]}"
        )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Took(time.monotonic() - started, spent_s)


def read_summary(out: Path) -> str:
    """Return the summary without the names that differ from log to log."""
    return pd.read_parquet(out / "summary.parquet").drop(columns="inspection").to_csv()


def count_notes(out: Path) -> int:
    """Return how many photos are noted as finished."""
    return sum(1 for _ in out.glob("done/*/*.json"))


def read_log(
    out: Path, log: object = None, photos: object = None
) -> tuple[int, int, dict[str, str]]:
    """Return surveys, inspections and a fingerprint per photo, as the log holds them."""
    import sqlalchemy as sa

    from rakelight.log.connection import open_log, reading
    from rakelight.log.tables import Photo, StoredInspection, Survey

    with open_log(str(log or out / "log"), photos=photos) as opened, reading(opened) as session:
        n_surveys = session.scalar(sa.select(sa.func.count(Survey.id)))
        rows = session.execute(
            sa.select(Photo.sha256, StoredInspection.fingerprint).join(
                StoredInspection, StoredInspection.survey_id == Photo.survey_id
            )
        ).all()
    return n_surveys, len(rows), dict(map(tuple, rows))


def measure_speed(folder: Path, scratch: Path) -> list[str]:
    """Return the rows that set two workers against one."""
    lines = []
    load = os.getloadavg()[0]
    one = run(folder, scratch / "one", "--workers", 1)
    two = run(folder, scratch / "two", "--workers", 2)
    is_same = read_summary(scratch / "one") == read_summary(scratch / "two")
    n = count_notes(scratch / "one")
    lines.append(f"| 1 worker | {n} photos | {one} | load before {load:.1f} |")
    lines.append(
        f"| 2 workers | {n} photos | {two}, {one.seconds / two.seconds:.2f}x | summaries the same: {is_same} |"
    )
    again = run(folder, scratch / "two", "--workers", 2)
    lines.append(f"| run again | {n} photos known | {again} | none measured |")
    return lines


def measure_dask(folder: Path, scratch: Path) -> list[str]:
    """Return the row of a Dask cluster of two workers started by itself, one of them killed half-way."""
    place = scratch / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": scratch}
    dask = [sys.executable, "-m", "dask"]
    schedule = [*dask, "scheduler", "--scheduler-file", str(place), "--port", "0", "--no-dashboard"]
    join = [
        *dask,
        "worker",
        "--scheduler-file",
        str(place),
        "--nthreads",
        "1",
        "--no-dashboard",
        "--no-nanny",
    ]
    processes = [subprocess.Popen(schedule, **quiet)]
    try:
        while not place.exists() or not place.read_text():
            time.sleep(0.1)
        address = json.loads(place.read_text())["address"]
        processes += [subprocess.Popen(join, **quiet) for _ in range(2)]
        took = run(folder, scratch / "dask", "--scheduler", address)
        batch = start(folder, scratch / "lost", "--scheduler", address)
        half = len(list(folder.glob("*.jpg"))) // 2
        while count_notes(scratch / "lost") < half:
            time.sleep(0.05)
        processes[-1].kill()
        batch.wait()
    finally:
        for process in processes:
            process.kill()
            process.wait()
    wanted = read_summary(scratch / "two")
    logs = [read_log(scratch / name) for name in ("two", "dask", "lost")]
    return [
        f"| Dask, 2 workers | {logs[1][1]} photos | {took} | "
        f"summary the same: {read_summary(scratch / 'dask') == wanted}, "
        f"records the same: {logs[1][2] == logs[0][2]} |",
        f"| Dask, a worker killed half-way | {logs[2][1]} photos | - | "
        f"summary the same: {read_summary(scratch / 'lost') == wanted}, "
        f"records the same: {logs[2][2] == logs[0][2]}, surveys {logs[2][0]} |",
    ]


def measure_kill(folder: Path, scratch: Path) -> list[str]:
    """Return the rows of a batch killed, interrupted and robbed of a worker half-way."""
    lines = []
    wanted, half = read_summary(scratch / "two"), len(list(folder.glob("*.jpg"))) // 2
    for name, stop in (
        ("kill -9", signal.SIGKILL),
        ("Ctrl-C", signal.SIGINT),
        ("worker killed", None),
    ):
        out = scratch / name.replace(" ", "_")
        batch = start(folder, out, "--workers", 2)
        while count_notes(out) < half:
            time.sleep(0.02)
        if stop is None:
            os.kill(list_children(batch.pid)[0], signal.SIGKILL)
            n_noted = count_notes(out)
            n_begun = n_noted + N_IN_HAND
            batch.wait()
        else:
            os.kill(batch.pid, stop)
            batch.wait()
            n_noted = count_notes(out)
            # What stands in the log but is not noted is measured again, and so is what each worker had begun.
            n_begun = max(read_log(out)[1], n_noted) + (N_WORKERS if stop == signal.SIGKILL else 0)
            run(folder, out, "--workers", 2)
        n_surveys, n_inspections, _ = read_log(out)
        lines.append(
            f"| {name} half-way | {n_noted} noted, {n_begun} begun | "
            f"repeated {(n_begun - n_noted) / (2 * half):.1%} at most | "
            f"summary the same: {read_summary(out) == wanted}, surveys {n_surveys}, inspections {n_inspections} |"
        )
    return lines


def list_children(pid: int) -> list[int]:
    """Return the worker processes of a batch (Linux)."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            parts = place.read_text().rpartition(")")[2].split()
            command = place.with_name("cmdline").read_bytes()
        except OSError:
            continue
        if int(parts[1]) == pid and b"spawn_main" in command:
            found.append(int(place.parent.name))
    return sorted(found)


def measure_postgres(folder: Path, scratch: Path, address: str) -> list[str]:
    """Return the row of eight workers that write into one PostgreSQL log."""
    import sqlalchemy as sa

    url = sa.make_url(address).set(drivername="postgresql+psycopg")
    name = f"rakelight_batch_{os.getpid()}"
    root = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with root.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    place = sa.make_url(address).set(database=name).render_as_string(hide_password=False)
    try:
        out, photos = scratch / "postgres", scratch / "photos"
        took = run(folder, out, "--workers", 8, "--log-photos", photos, log=place)
        n_surveys, n_inspections, _ = read_log(out, place, photos)
        n = count_notes(out)
        state = pd.read_parquet(out / "summary.parquet")["state"].value_counts().to_dict()
    finally:
        with root.connect() as connection:
            connection.execute(sa.text(f"DROP DATABASE {name} WITH (FORCE)"))
        root.dispose()
    return [
        f"| PostgreSQL, 8 writers | {n} photos | {took} | "
        f"{state}, surveys {n_surveys}, inspections {n_inspections} |"
    ]


def main() -> None:
    """Run the parts asked for and print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--photos", type=int, default=500)
    parser.add_argument("--parts", nargs="*", default=["speed", "dask", "kill"])
    parser.add_argument("--postgres", default="")
    parser.add_argument("--scratch", type=Path)
    options = parser.parse_args()
    scratch = options.scratch or Path(tempfile.mkdtemp(prefix="plant-"))
    folder = scratch / "photos_in"
    if not folder.exists():
        folder.mkdir(parents=True)
        make_photos(folder, options.photos)
    parts = {
        "speed": lambda: measure_speed(folder, scratch),
        "dask": lambda: measure_dask(folder, scratch),
        "kill": lambda: measure_kill(folder, scratch),
        "postgres": lambda: measure_postgres(folder, scratch, options.postgres),
    }
    print(f"{options.photos} photos of {SIZE_PX[0]} x {SIZE_PX[1]} px, {os.cpu_count()} cores\n")
    print("| part | photos | time | outcome |\n|---|---|---|---|", flush=True)
    for name in options.parts:
        print("\n".join(parts[name]()), flush=True)
    if options.scratch is None:
        shutil.rmtree(scratch, ignore_errors=True)


if __name__ == "__main__":
    main()
