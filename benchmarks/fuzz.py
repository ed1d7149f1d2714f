"""Thousands of damaged, odd and hostile inputs of every kind, with limits on what they may do.

    python benchmarks/fuzz.py --n 10000
    python benchmarks/fuzz.py --n 500 --kinds photo bundle.zip --seed 7
    python benchmarks/fuzz.py --one photo 123            the traceback of one case

A case passes when its reader gives a result or a RakelightError within 10 s of processor time, with the whole
process below 2 GB and no write outside the folder given to it. Everything else is a finding: any other exception,
a crash, a hang, too much memory, a file elsewhere.
"""

import argparse
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import knocks

SECONDS_MAX = 10.0
SECONDS_TO_END = 20.0  # of processor time: what hangs is ended
WALL_MAX = 3600.0  # by the clock, for what sleeps; at idle priority on a busy machine minutes mean nothing
KILOBYTES_MAX = 2_000_000
WRITES = (
    "os.rename",
    "os.mkdir",
    "os.remove",
    "os.rmdir",
    "os.symlink",
    "os.link",
    "os.truncate",
    "os.chmod",
    "shutil.move",
)


def watch_places(allowed: Path, found: list[str]) -> None:
    """Note every write of Python's outside a folder."""
    root = str(allowed.resolve())

    def hook(event: str, arguments: tuple) -> None:
        if event == "open":
            path, mode, flags = arguments
            writes = (isinstance(mode, str) and set(mode) & set("wax+")) or (
                isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
            )
            if writes and isinstance(path, (str, bytes)):
                _note(event, os.fsdecode(path))
        elif event in WRITES or event == "sqlite3.connect":
            for path in arguments[:2]:
                if isinstance(path, (str, bytes)) and os.fsdecode(path) != ":memory:":
                    _note(event, os.fsdecode(path))

    def _note(event: str, path: str) -> None:
        whole = os.path.abspath(path)
        if not whole.startswith(root) and whole != os.devnull:
            found.append(f"{event} {path}")

    sys.addaudithook(hook)


def run_case(kind: knocks.Kind, seed: int, number: int, sandbox: Path, outside: list[str]) -> str:
    """Return how one case ended: ok, refused, or the finding in words."""
    from rakelight.core.errors import RakelightError

    folder = Path(tempfile.mkdtemp(dir=sandbox))
    rng = random.Random(f"{seed} {kind.name} {number}")
    try:
        case = kind.make(rng, folder)
        started = time.process_time()
        try:
            kind.read(case)
            ended = "ok"
        except RakelightError as error:
            ended = (
                "refused"
                if str(error).strip().endswith((".", "?"))
                else f"FINDING sentence without an end: {str(error)[:200]!r}"
            )
        except (Exception, SystemExit) as error:  # noqa: BLE001  that is what is looked for
            last = traceback.extract_tb(error.__traceback__)[-1]
            ended = f"FINDING {type(error).__name__} at {Path(last.filename).name}:{last.lineno}: {str(error)[:160]}"
        seconds = time.process_time() - started
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    if seconds > SECONDS_MAX:
        ended = f"FINDING took {seconds:.0f} s"
    if resource.getrusage(resource.RUSAGE_SELF).ru_maxrss > KILOBYTES_MAX:
        ended = "FINDING above 2 GB"
    if outside:
        ended = f"FINDING wrote outside: {outside[0]}"
        outside.clear()
    return ended, seconds


def work(name: str, seed: int, first: int, last: int) -> None:
    """Run cases of a kind in this process and print one line of JSON for each."""
    kind = next(kind for kind in knocks.KINDS if kind.name == name)
    sandbox = Path(os.environ["TMPDIR"])
    outside: list[str] = []
    kind.make(random.Random(0), Path(tempfile.mkdtemp(dir=sandbox)))  # imports and bases come first
    watch_places(sandbox, outside)
    for number in range(first, last):
        print(json.dumps({"begin": number}), flush=True)
        signal.setitimer(signal.ITIMER_PROF, SECONDS_TO_END)  # unless set anew, its signal ends us
        ended, seconds = run_case(kind, seed, number, sandbox, outside)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        told = {"number": number, "ended": ended, "seconds": seconds, "peak_mb": peak_mb}
        print(json.dumps(told), flush=True)
        if "above 2 GB" in ended:
            return  # the peak stays: a fresh process for the rest


def run_kind(name: str, seed: int, n: int, first: int = 0) -> dict:
    """Return the counts and findings of cases first to n of one kind, whatever its processes do."""
    counts, findings, number = {"ok": 0, "refused": 0}, [], first
    started = time.monotonic()
    peak_mb = longest_s = 0.0
    while number < n:
        with tempfile.TemporaryDirectory(prefix="knocks-") as sandbox:
            environment = {
                **os.environ,
                "TMPDIR": sandbox,
                "HOME": sandbox,
                "PYTHONDONTWRITEBYTECODE": "1",
                "PYTHONWARNINGS": "ignore",
            }
            command = [
                sys.executable,
                __file__,
                "--work",
                name,
                str(seed),
                str(number),
                str(min(n, number + 2000)),
            ]
            process = subprocess.Popen(
                command,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                env=environment,
                cwd=sandbox,
            )
            clock = None
            begun = number
            for line in process.stdout:
                told = json.loads(line)
                if clock is not None:
                    clock.cancel()
                if "begin" in told:
                    begun = told["begin"]
                    clock = threading.Timer(WALL_MAX, process.kill)
                    clock.start()
                    continue
                number = told["number"] + 1
                peak_mb, longest_s = max(peak_mb, told["peak_mb"]), max(longest_s, told["seconds"])
                ended = told["ended"]
                if ended in counts:
                    counts[ended] += 1
                else:
                    findings.append((told["number"], ended.removeprefix("FINDING ")))
            if clock is not None:
                clock.cancel()
            trouble = process.stderr.read()[-400:]
            process.wait()
            if process.returncode != 0:
                findings.append((begun, f"process ended with {process.returncode} {trouble}"))
                number = begun + 1
    return {
        "kind": name,
        "n": n - first,
        **counts,
        "findings": findings,
        "minutes": (time.monotonic() - started) / 60,
        "longest_s": longest_s,
        "peak_mb": peak_mb,
    }


def write_table(results: list[dict], seed: int) -> str:
    """Return the table in Markdown; parts of one kind are put together."""
    lines = [
        f"Seed {seed}.",
        "",
        "| kind | cases | read | refused with one sentence | findings | longest, s of processor | peak, MB |",
        "|---|---|---|---|---|---|---|",
    ]
    notes = []
    for name in dict.fromkeys(result["kind"] for result in results):
        parts = [result for result in results if result["kind"] == name]
        n, ok, refused = (sum(part[key] for part in parts) for key in ("n", "ok", "refused"))
        found = [finding for part in parts for finding in part["findings"]]
        longest_s, peak_mb = (max(part[key] for part in parts) for key in ("longest_s", "peak_mb"))
        lines.append(
            f"| {name} | {n} | {ok} | {refused} | {len(found)} | {longest_s:.1f} | {peak_mb:.0f} |"
        )
        shown: dict[str, int] = {}
        for number, words in found:
            shown.setdefault(words, number)
        notes += [f"- {name} {number}: {words}" for words, number in list(shown.items())[:30]]
    return "\n".join([*lines, *notes])


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--n", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="*", default=[kind.name for kind in knocks.KINDS])
    parser.add_argument("--first", type=int, default=0, help="go on from this case")
    parser.add_argument(
        "--save", type=Path, help="file that keeps the results, a line for each part"
    )
    parser.add_argument(
        "--table", action="store_true", help="only print the table of what --save keeps"
    )
    parser.add_argument("--work", nargs=4)
    parser.add_argument("--one", nargs=2)
    options = parser.parse_args()
    if options.work:
        name, seed, first, last = options.work
        return work(name, int(seed), int(first), int(last))
    if options.one:
        kind = next(kind for kind in knocks.KINDS if kind.name == options.one[0])
        folder = Path(tempfile.mkdtemp())
        case = kind.make(random.Random(f"{options.seed} {kind.name} {options.one[1]}"), folder)
        print(repr(case)[:2000])
        return print(kind.read(case))
    if options.table:
        parts = [json.loads(line) for line in options.save.read_text().splitlines()]
        return print(write_table(parts, options.seed))
    results = []
    for kind in knocks.KINDS:
        if kind.name in options.kinds:
            results.append(run_kind(kind.name, options.seed, options.n, options.first))
            print("\n".join(write_table(results[-1:], options.seed).splitlines()[4:]), flush=True)
            if options.save:
                with options.save.open("a") as file:
                    file.write(json.dumps(results[-1]) + "\n")
    print(write_table(results, options.seed))
    return None


if __name__ == "__main__":
    main()
