"""One inspection as a folder: exact files, moved whole, whatever interrupts the run."""

import errno
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rakelight.core import records
from rakelight.core.errors import OutputError
from rakelight.core.settings import ReportSettings
from rakelight.core.tables import INSPECTION_FILES, RECORD_FILE, read_inspection_tables
from rakelight.report import exports, folder
from rakelight.scale.zones import read_zones

FILES = {
    "summary.json", "pits.csv", "marks.csv", "colour.csv", "plan.csv", "zones.geojson",
    "map.png", "heat.png", "work_sheet.pdf", "report.pdf", "record.zip",
}  # fmt: skip


@pytest.fixture
def quick(monkeypatch):
    """Pictures and pages are written as one byte, so that moves are tested without drawing.

    Flushing is left out as well: it guards against power cuts, which no test makes.
    """
    monkeypatch.setattr(folder.os, "fsync", lambda handle: None)
    monkeypatch.setattr(folder.figures, "draw_map", lambda i, settings: np.zeros((2, 2, 3), "u1"))
    monkeypatch.setattr(folder.figures, "draw_heat", lambda i, settings: np.zeros((2, 2, 3), "u1"))
    for name in ("write_work_sheet", "write_client_report"):
        monkeypatch.setattr(folder, name, lambda i, path, settings: path.write_bytes(b"%"))


def test_folder_holds_exactly_its_files(bench, tmp_path):
    """The ten files of the design and the record, none of them empty, nothing beside them."""
    paths = folder.write_inspection(
        bench, tmp_path / "out", settings=ReportSettings(map_max_side_px=900)
    )
    assert FILES == {path.name for path in (tmp_path / "out").iterdir()}
    assert [*INSPECTION_FILES, RECORD_FILE] == [path.name for path in paths]
    assert all(path.stat().st_size > 100 for path in paths)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_tables_read_back_as_they_were(bench, tmp_path, quick):
    """Every declared column comes back with its dtype and its values to the printed decimals."""
    folder.write_inspection(bench, tmp_path / "out")
    tables = read_inspection_tables(tmp_path / "out")
    pairs = (
        (bench.pits, tables.pits, records.PIT_COLUMNS),
        (bench.marks, tables.marks, records.MARK_COLUMNS),
        (bench.colour.table, tables.colour, records.COLOUR_COLUMNS),
        (bench.plan.fields, tables.plan, records.PLAN_COLUMNS),
    )
    for expected, back, columns in pairs:
        assert [column.name for column in columns] == list(back.columns)
        # 0.05 covers the coarsest printed decimals (one, for pits per m2, minutes and grams).
        pd.testing.assert_frame_equal(expected, back, atol=0.05, rtol=0)


def test_summary_holds_what_the_design_names(bench, tmp_path, quick):
    """Every key of the design's summary is there, and the numbers are the record's own."""
    folder.write_inspection(bench, tmp_path / "out")
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    names = (
        "schema version photo scale lamp counts per_m2 per_ft2 area_share windows grades colour "
        "plan limits_of_this_answer warnings settings"
    )
    assert set(names.split()) <= set(summary)
    assert {"quality", "smallest_countable_mm", "verdict", "advice"} <= set(summary["photo"])
    assert {"source", "mm_per_px", "sd"} <= set(summary["scale"])
    assert {"scheme", "class", "range", "rule", "source"} <= set(summary["grades"][0])
    assert bench.photos[0]["sha256"] == summary["photo"]["sha256"]
    assert len(bench.pits) == summary["counts"]["n_pits"]
    assert len(bench.pits) == sum(band["n_pits"] for band in summary["counts"]["bands"])
    # By hand: pits over the area seen, in m2.
    seen_m2 = np.count_nonzero(bench.face.seen) * bench.face.mm_per_px**2 / 1e6
    assert summary["per_m2"] == pytest.approx(len(bench.pits) / seen_m2, rel=1e-12)


def test_unknown_numbers_are_null_and_the_json_is_strict(bench, tmp_path, quick):
    """NaN never reaches a JSON file; a strict reader takes both files."""

    def refuse(name):
        raise AssertionError(name)

    unknown = replace(
        bench,
        lamp=records.Lamp(),
        quality=replace(bench.quality, smallest_countable_mm=np.nan),
        plan=replace(bench.plan, amounts={"paste_g": np.nan}),
    )
    folder.write_inspection(unknown, tmp_path / "out")
    for name in ("summary.json", "zones.geojson"):
        text = (tmp_path / "out" / name).read_text(encoding="utf-8")
        content = json.loads(text, parse_constant=refuse)
        if name == "summary.json":
            assert content["lamp"]["from_deg"] is None
            assert content["photo"]["smallest_countable_mm"] is None
            assert content["plan"]["amounts"]["paste_g"] is None


def test_summary_tells_no_place_and_no_owner(bench):
    """Position, serial numbers and names in a photo's metadata never reach the summary."""
    exif = {"FNumber": 2.0, "GPSInfo": {1: "N"}, "BodySerialNumber": "X1", "CameraOwnerName": "Ann"}
    tagged = replace(bench, photos=({**bench.photos[0], "exif": exif},))
    summary = exports.summarise(tagged)
    assert summary["photo"]["exif"] == {"FNumber": 2.0}
    assert summary["photos"][0]["exif"] == {"FNumber": 2.0}


def test_shapes_are_millimetres_and_say_so(bench):
    """Unit, origin and axes stand at the top; every ring is closed; the slab has its own size."""
    shapes = exports.collect_shapes(bench)
    assert shapes["unit"] == "mm"
    assert "top-left" in shapes["origin"]
    assert "down" in shapes["axes"]
    roles = [feature["properties"]["role"] for feature in shapes["features"]]
    assert {"slab": 1, "zone": 3, "field": 12, "pit": len(bench.pits)} == {
        role: roles.count(role) for role in dict.fromkeys(roles)
    }
    for feature in shapes["features"]:
        ring = feature["geometry"]["coordinates"][0]
        assert ring[0] == ring[-1]
    slab = np.array(shapes["features"][0]["geometry"]["coordinates"][0])
    assert list(bench.face.size_mm) == list(slab.max(axis=0))


def test_shapes_are_read_again_as_they_were_said(bench, tmp_path):
    """What a person said of the face comes back; crowds of pits do not, and the slab stands there once."""
    slab = {
        "name": "slab",
        "kind": "slab",
        "outline_mm": [[0, 0], [1200, 0], [1200, 700], [0, 500]],
    }
    box = {"outline_mm": [[60, 60], [200, 60], [200, 160], [60, 160]], "n_pits": 14}
    crowds = tuple(
        {"name": f"{kind} 1", "kind": kind, **box} for kind in ("pitting", "streak", "honeycomb")
    )
    for said in ((), (slab,)):
        told = replace(bench, zones=(*said, *bench.zones, *crowds))
        zones = read_zones(exports.write_zones(told, tmp_path / "zones.geojson"))
        assert ["slab", "A", "B", "sink"] == [zone["name"] for zone in zones]
        assert ["slab", "pour", "pour", "opening"] == [zone["kind"] for zone in zones]
        corner = said[0]["outline_mm"][-1] if said else [0, 700]
        assert corner == zones[0]["outline_mm"][-1]


def test_pits_without_outlines_become_circles_of_their_diameter(bench):
    """Without outlines a circle of the pit's own diameter is drawn around its own place."""
    outlines = exports.pit_outlines(replace(bench, outlines_mm=()))
    pit, outline = bench.pits.iloc[5], outlines[5]
    assert outline.mean(axis=0) == pytest.approx([pit["x_mm"], pit["y_mm"]], abs=1e-9)
    radius = np.hypot(*(outline - [pit["x_mm"], pit["y_mm"]]).T)
    assert radius == pytest.approx(np.full(len(radius), pit["diameter_mm"] / 2), rel=1e-12)


def test_second_run_replaces_the_first_whole(bench, clean_bench, tmp_path, quick):
    """After the second run only its own files are there, with its own content."""
    folder.write_inspection(bench, tmp_path / "out")
    (tmp_path / "out" / "change.csv").write_text("old")
    folder.write_inspection(clean_bench, tmp_path / "out")
    assert FILES == {path.name for path in (tmp_path / "out").iterdir()}
    assert len(read_inspection_tables(tmp_path / "out").pits) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_without_exchange_the_second_run_replaces_too(
    bench, clean_bench, tmp_path, quick, monkeypatch
):
    """On systems that cannot exchange folders the two renames give the same result."""
    folder.write_inspection(bench, tmp_path / "out")
    monkeypatch.setattr(folder, "exchange_folders", lambda one, other: False)
    folder.write_inspection(clean_bench, tmp_path / "out")
    assert len(read_inspection_tables(tmp_path / "out").pits) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_foreign_folder_is_never_replaced(bench, tmp_path, quick):
    """A folder with anything of the person's own is refused and left as it is."""
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "beach.jpg").write_text("sand")
    with pytest.raises(OutputError, match=r"beach\.jpg"):
        folder.write_inspection(bench, tmp_path / "holiday")
    folder.write_inspection(bench, tmp_path / "out")
    (tmp_path / "out" / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"notes\.txt"):
        folder.write_inspection(bench, tmp_path / "out")
    assert (tmp_path / "out" / "notes.txt").read_text() == "mine"
    assert {"holiday", "out"} == {path.name for path in tmp_path.iterdir()}


def test_empty_folder_and_link_are_fine(bench, tmp_path, quick):
    """An empty folder is filled; through a link the folder behind it is replaced."""
    (tmp_path / "empty").mkdir()
    folder.write_inspection(bench, tmp_path / "empty")
    assert FILES == {path.name for path in (tmp_path / "empty").iterdir()}
    (tmp_path / "link").symlink_to(tmp_path / "empty")
    folder.write_inspection(bench, tmp_path / "link")
    assert (tmp_path / "link").is_symlink()
    assert {"empty", "link"} == {path.name for path in tmp_path.iterdir()}


@pytest.mark.parametrize("where", ["file", "file/below"])
def test_place_that_is_a_file_is_one_sentence(bench, tmp_path, quick, where):
    """A file in the way is named; nothing is written."""
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="file") as caught:
        folder.write_inspection(bench, tmp_path / where)
    assert len(str(caught.value).splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["file"]
    assert (tmp_path / "file").read_text() == "mine"


@pytest.mark.parametrize(
    ("number", "word"),
    [
        (errno.ENOSPC, "full"),
        (errno.EACCES, "cannot be written"),
        (errno.EROFS, "cannot be written"),
    ],
)
@pytest.mark.parametrize("stop_at", ["summary.json", "map.png", "report.pdf"])
def test_disk_that_refuses_is_one_sentence_and_leaves_nothing(
    bench, tmp_path, quick, monkeypatch, number, word, stop_at
):
    """Full, read-only or forbidden: one sentence, no half folder, no folders made on the way."""
    real = folder._flush_to_disk

    def refuse(path):
        if path.name == stop_at:
            raise OSError(number, os.strerror(number))
        real(path)

    monkeypatch.setattr(folder, "_flush_to_disk", refuse)
    with pytest.raises(OutputError, match=word) as caught:
        folder.write_inspection(bench, tmp_path / "new" / "deep" / "out")
    assert len(str(caught.value).splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_full_disk_keeps_the_old_result(bench, clean_bench, tmp_path, quick, monkeypatch):
    """When the second run finds the disk full, the first result stands untouched."""
    folder.write_inspection(bench, tmp_path / "out")
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}

    def refuse(*args, **kwargs):
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(folder, "write_client_report", refuse)
    with pytest.raises(OutputError, match="full"):
        folder.write_inspection(clean_bench, tmp_path / "out")
    assert before == {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_ctrl_c_leaves_nothing(bench, tmp_path, quick, monkeypatch):
    """An interrupted run passes the interruption on and leaves no folder, hidden or not."""

    def interrupt(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(folder, "write_work_sheet", interrupt)
    with pytest.raises(KeyboardInterrupt):
        folder.write_inspection(bench, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_leftovers_of_dead_runs_go_and_those_of_living_runs_stay(bench, tmp_path, quick):
    """A hidden folder no process holds is removed; one that is held by a running one is kept."""
    dead, living = (tmp_path / f".out.rakelight-new-{name}" for name in ("dead", "living"))
    dead.mkdir()
    (dead / "pits.csv").write_text("half")
    living.mkdir()
    handle = folder.hold_folder(living)
    if handle is None:
        pytest.skip("this system has no locks on folders")
    try:
        folder.write_inspection(bench, tmp_path / "out")
        assert {living.name, "out"} == {path.name for path in tmp_path.iterdir()}
    finally:
        os.close(handle)


KILLED = """
import os, shutil, signal, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
import conftest
from rakelight.report import exports, folder
import numpy as np

tiny = np.zeros((2, 2, 3), np.uint8)
os.fsync = lambda handle: None
folder.figures.draw_map = folder.figures.draw_heat = lambda i, settings: tiny
for name in ("write_work_sheet", "write_client_report"):
    setattr(folder, name, lambda i, path, settings: path.write_bytes(b"%"))
first = conftest.build_inspection(n_pits=6, has_colour=False)
second = conftest.build_empty(first)
can_exchange = sys.argv[2] == "exchange"
if not can_exchange:
    folder.exchange_folders = lambda one, other: False

def run(target, stop_at):
    steps = 0
    def watch(module, name):
        real = getattr(module, name)
        def watched(*args, **kwargs):
            nonlocal steps
            for _ in range(2):
                steps += 1
                if steps == stop_at:
                    os.kill(os.getpid(), signal.SIGKILL)
                if _ == 0:
                    answer = real(*args, **kwargs)
            return answer
        setattr(module, name, watched)
    for module, name in ((exports, "write_summary"), (exports, "write_tables"),
                         (folder, "write_png"), (folder, "write_work_sheet"),
                         (folder, "write_client_report"), (folder, "_flush_to_disk"),
                         (folder, "exchange_folders"), (os, "rename")):
        watch(module, name)
    folder.shutil.rmtree = (lambda real: lambda path, **how: (
        os.kill(os.getpid(), signal.SIGKILL) if stop_at == -1 else None, real(path, **how)))(
        folder.shutil.rmtree)
    folder.write_inspection(second, target)
    os._exit(0)

root = Path(sys.argv[1])
folder.write_inspection(first, root / "model")
n = 0
for stop_at in [*range(1, 200), -1]:
    target = root / f"case{{stop_at}}" / "out"
    target.parent.mkdir()
    shutil.copytree(root / "model", target)
    child = os.fork()
    if child == 0:
        run(target, stop_at)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        if stop_at > 0 and os.waitstatus_to_exitcode(status) == 0 and n:
            break
        raise SystemExit(f"child of {{stop_at}} ended with {{status}}")
    n += 1
print(n)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize("way", ["exchange", "renames"])
def test_kill_at_any_step_leaves_the_old_result_or_the_new(bench, tmp_path, quick, way):
    """Killed before or after every step, the folder reads as old or new, and the next run mends."""
    script = KILLED.format(tests=str(Path(__file__).parent))
    run = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script, str(tmp_path), way],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr[-2000:]
    n_kills = int(run.stdout)
    assert n_kills >= 30  # 10 flushes, 4 writers, moves: each before and after
    seen = set()
    for case in tmp_path.glob("case*"):
        target = case / "out"
        if way == "exchange" or target.exists():
            assert FILES == {path.name for path in target.iterdir()}
        folder.recover_folder(target)
        assert FILES == {path.name for path in target.iterdir()}
        seen.add(len(read_inspection_tables(target).pits))
        assert [path.name for path in case.iterdir()] == ["out"]
    assert {0, 6} == seen
