"""How quick the screens are and how much memory they hold, in a real browser.

    python benchmarks/screens.py                  everything, writes results/screens.md
    python benchmarks/screens.py --copies 2 1     a smaller face, to try it out

A face of more than a hundred megapixels, made of copies of the measured sample panel, is stored as the screens
store one. Then three people, one at a desk and two on phones, open it in three browser windows, each with nothing
kept from before. Times come from the browser's own clock. Needs playwright and a Chromium on the machine.
"""

import argparse
import contextlib
import os
import platform
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "screens.md"
PEOPLE = (("desk", (1440, 900)), ("phone", (390, 844)), ("phone", (390, 844)))
SAMPLE = ROOT / "sample_images" / "before_raking.jpg"
MM_PER_PX = 0.165
COPIES = (4, 3)
PATIENCE_MS = 120_000
SETTLED_MS = 2500
"""So long after a tap nothing more is on its way; the times themselves are read off the browser's list."""

TILES_SINCE = """since => {
  const tiles = performance.getEntriesByType('resource').filter(
    one => one.name.includes('/rl/tiles/') && one.startTime >= since);
  const level = one => Number(one.name.split('/').at(-2));
  return {n: tiles.length, end: Math.max(0, ...tiles.map(one => one.responseEnd)),
          kilobytes: tiles.reduce((sum, one) => sum + one.transferSize, 0) / 1024,
          level: Math.max(0, ...tiles.map(level))};
}"""


def main() -> None:
    """Measure and write the page of results."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--copies", type=int, nargs=2, default=COPIES, help="across and deep")
    parser.add_argument("--keep", type=Path, help="folder with the stored face of an earlier run")
    told = parser.parse_args()
    with contextlib.ExitStack() as stack:
        home = told.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        home.mkdir(parents=True, exist_ok=True)
        os.environ["RAKELIGHT_DESK"] = str(home / "desk")
        os.environ["RAKELIGHT_LOG"] = str(home / "log")
        face = measure_face(home, *told.copies)
        address, server = stack.enter_context(start_screens())
        rows = visit_face(f"{address}/face?look={face['look']}", server)
    report = write_page(face, rows, count_taps())
    print(report)
    if tuple(told.copies) == COPIES:
        RESULTS.write_text(report, encoding="utf-8")


def measure_face(home: Path, across: int, deep: int) -> dict:
    """Return what the screens show of the face, once it is stored as the screens store one."""
    from rakelight.core.records import Lamp
    from rakelight.inspection import Given, inspect_photo
    from rakelight.log.connection import open_log
    from rakelight.log.store import SurveyPlace, save_inspection
    from rakelight.screens import desk, errands, looks, tiles

    kept = home / "face.json"
    if kept.is_file():
        return desk.read_plain(kept)
    given = Given(mm_per_px=MM_PER_PX, lamp=Lamp(270.0, 15.0, basis="said"))
    face = repeat_face(inspect_photo(SAMPLE, given), across, deep)
    face = looks.settle_plan(face, looks.Choices())
    started = time.perf_counter()
    with open_log() as log:
        look = save_inspection(log, face, SurveyPlace("Large top", "top", ""), photos=[])
    errands.keep_measured(look, face)
    errands.prepare_look(look, face, lambda _step: None)
    told = {
        "look": look, "stored_s": time.perf_counter() - started, "n_pits": len(face.pits),
        **tiles.read_info(looks.tiles_folder("looks", look)),
    }  # fmt: skip
    desk.write_plain(kept, told)
    return told


def repeat_face(inspection, across: int, deep: int):
    """Return an inspection of a face made of copies side by side, never mirrored: the light keeps its side."""
    width_mm, height_mm = inspection.face.size_mm
    places = [(col * width_mm, row * height_mm) for row in range(deep) for col in range(across)]
    face = replace(
        inspection.face,
        rgb=np.tile(inspection.face.rgb, (deep, across, 1)),
        seen=np.tile(inspection.face.seen, (deep, across)),
    )
    tables = {
        name: repeat_table(getattr(inspection, name), number, places)
        for name, number in (("pits", "pit_id"), ("marks", "mark_id"), ("evidence", "pit_id"))
    }
    outlines = tuple(
        outline + np.asarray(place) for place in places for outline in inspection.outlines_mm
    )
    return replace(inspection, face=face, outlines_mm=outlines, zones=(), **tables)


def repeat_table(
    table: pd.DataFrame, number: str, places: list[tuple[float, float]]
) -> pd.DataFrame:
    """Return a table once for each place, moved there, numbered through."""
    copies = []
    for x_mm, y_mm in places:
        copy = table.copy()
        if "x_mm" in copy:
            copy["x_mm"] += x_mm
            copy["y_mm"] += y_mm
        copies.append(copy)
    whole = pd.concat(copies, ignore_index=True)
    whole[number] = np.arange(1, len(whole) + 1).astype(table[number].dtype)
    return whole


@contextlib.contextmanager
def start_screens() -> Iterator[tuple[str, int]]:
    """Start the screens; give their address and the number of their process."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-P", "-m", "rakelight.screens", str(port)], stdout=subprocess.DEVNULL
    )
    try:
        end = time.monotonic() + 60
        while time.monotonic() < end:
            with contextlib.suppress(urllib.error.URLError, ConnectionError):
                urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5).close()
                break
            time.sleep(0.2)
        yield f"http://127.0.0.1:{port}", server.pid
    finally:
        server.terminate()
        server.wait()


def read_memory_mb(pid: int, name: str) -> float:
    """Return what a process holds now (VmRSS) or held at most (VmHWM), MB."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(rf"{name}:\s+(\d+) kB", status)[1]) / 1024


def visit_face(address: str, server: int) -> list[dict]:
    """Return what each person waited for, and the server's memory with all of them there."""
    from playwright.sync_api import sync_playwright

    before_mb = read_memory_mb(server, "VmRSS")
    with sync_playwright() as player:
        browser = player.chromium.launch(
            executable_path=shutil.which("chromium") or shutil.which("chromium-browser"),
            args=["--no-sandbox", "--disable-gpu"],
        )
        pages, rows = [], []
        for who, (width, height) in PEOPLE:
            page, other = (open_window(browser, width, height) for _ in range(2))
            row = {"who": who, **see_whole(page, address), **see_first(other, address)}
            rows.append(row | see_closest(other))
            page.context.close()
            pages.append(other)
        for page in pages:  # all three look at pits at the same time
            for _ in range(4):
                page.get_by_role("button", name="Next pit").click()
                page.wait_for_timeout(400)
        rows[-1] |= {
            "before_mb": before_mb, "now_mb": read_memory_mb(server, "VmRSS"),
            "most_mb": read_memory_mb(server, "VmHWM"),
        }  # fmt: skip
        browser.close()
    return rows


def open_window(browser, width: int, height: int):
    """Return a page in a browser window of its own, with nothing kept from before."""
    context = browser.new_context(viewport={"width": width, "height": height})
    context.add_init_script("performance.setResourceTimingBufferSize(5000)")
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    return page


def see_whole(page, address: str) -> dict:
    """Return when the last tile of the first view was there, s after the address was opened."""
    page.goto(address)
    page.locator("button.one").wait_for()
    page.wait_for_function(f"({TILES_SINCE})(0).n > 0")
    page.wait_for_timeout(SETTLED_MS)
    tiles = page.evaluate(TILES_SINCE, 0)
    return {"whole_s": tiles["end"] / 1000, "whole_kb": tiles["kilobytes"]}


def see_first(page, address: str) -> dict:
    """Return when the first view was there, s after the tap on Face by somebody already in the app.

    This is what a person waits for once the face is stored: the app is open, the face is new.
    """
    page.goto(address.replace("/face?", "/papers?"))
    page.get_by_role("heading", level=1).wait_for()
    page.wait_for_timeout(SETTLED_MS)
    began = page.evaluate("performance.now()")
    page.get_by_role("link", name="Face", exact=True).first.click()
    page.wait_for_function(f"since => ({TILES_SINCE})(since).n > 0", arg=began)
    page.wait_for_timeout(SETTLED_MS)
    return {"first_s": (page.evaluate(TILES_SINCE, began)["end"] - began) / 1000}


def see_closest(page) -> dict:
    """Return when the last full-size tile was there, s after the tap on 1:1."""
    page.locator("button.one").scroll_into_view_if_needed()
    began = page.evaluate("performance.now()")
    page.locator("button.one").click()
    page.wait_for_timeout(SETTLED_MS)
    tiles = page.evaluate(TILES_SINCE, began)
    return {
        "closest_s": max(0.0, tiles["end"] - began) / 1000, "closest_kb": tiles["kilobytes"],
        "level": tiles["level"],
    }  # fmt: skip


def count_taps() -> str:
    """Return taps and seconds of one photo's way to the work sheet, as the browser test counts them."""
    command = [sys.executable, "-m", "pytest", "-q", "tests/browser/test_work_sheet.py"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    found = re.search(r"\[(\d+) taps, ([\d.]+) s\]", done.stdout)
    return f"{found[1]} taps, {found[2]} s" if found else "the browser test did not pass"


def write_page(face: dict, rows: list[dict], taps: str) -> str:
    """Return the page of results."""
    megapixels = face["cols_px"] * face["rows_px"] / 1e6
    memory = rows[-1]
    people = "\n".join(
        f"| {row['who']} | {row['first_s']:.2f} | {row['whole_s']:.2f} | {row['whole_kb']:.0f} "
        f"| {row['closest_s']:.2f} | {row['closest_kb']:.0f} | {row['level']} of {face['top']} |"
        for row in rows
    )
    return f"""# The screens: measured

`python benchmarks/screens.py` makes this file.

## A face of {megapixels:.0f} megapixels with {face["n_pits"]} pits
{face["cols_px"]} x {face["rows_px"]} pixels, copies of the measured sample panel side by side; stored in the log,
written as papers and cut into tiles in {face["stored_s"]:.0f} s. First view: from the tap on Face in an open app to
the last tile of the whole face, which is what one waits for once a face is stored. New window: the same from the
address, with nothing kept from before, so with the whole app. 1:1: from the tap to the last full-size tile.

| person | first view, s | new window, s | sent, kB | 1:1, s | sent, kB | level reached |
| --- | --- | --- | --- | --- | --- | --- |
{people}

Memory of the server: {memory["before_mb"]:.0f} MB before anybody came, {memory["now_mb"]:.0f} MB with three
people who step from pit to pit, {memory["most_mb"]:.0f} MB at most.

## One photo to the work sheet
{taps}, on a phone-sized window, from the list of jobs to the PDF (the file choice is not counted as a tap).

Measured with Python {platform.python_version()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}.
"""


if __name__ == "__main__":
    main()
