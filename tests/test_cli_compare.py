"""`rakelight compare`, as a person types it."""

import json
import shutil

import pytest

from rakelight.cli import main
from rakelight.core.records import CHANGE_COLUMNS, LIFE_COLUMNS
from rakelight.core.tables import parse_csv
from rakelight.log.connection import Log

ARGUMENTS = ["--mm-per-px", "0.15", "--lamp-from", "270", "--lamp-angle", "15"]
FILES = {"change.json", "change.csv", "change.png", "before_after.png", "report.pdf", "report.html"}


def start(*arguments) -> int:
    """Return the exit code of one command."""
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    return ended.value.code


@pytest.fixture(scope="module")
def place(photo_file, tmp_path_factory):
    """A folder with one inspection, and a log that holds it at three stages."""
    folder = tmp_path_factory.mktemp("compare")
    for stage in ("after demold", "after honing", "before sealing"):
        told = ["--job", "Bench", "--slab-name", "A", "--stage", stage, "--log", folder / "log"]
        assert 0 == start("inspect", photo_file, *ARGUMENTS, *told, "--out", folder / "face")
    return folder


def test_two_folders(place, tmp_path, capsys):
    """A face held against itself: every pit is open, none new, all six files are there."""
    capsys.readouterr()
    assert 0 == start("compare", place / "face", place / "face", "--out", tmp_path / "change")
    told = capsys.readouterr().out
    assert FILES == {file.name for file in (tmp_path / "change").iterdir()}
    assert all(str(tmp_path / "change" / name) in told for name in FILES)
    table = parse_csv(tmp_path / "change" / "change.csv", CHANGE_COLUMNS)
    assert {"open"} == set(table["state"])
    figures = json.loads((tmp_path / "change" / "change.json").read_text())["figures"]
    assert figures["sentence"] in told


def test_two_surveys_of_the_log(place, tmp_path, capsys):
    """Named by stage, kept in the log once, with the life of every pit over all three surveys."""
    log = ["--log", place / "log"]
    words = [
        "compare",
        "Bench/A/after honing",
        "bench/a/BEFORE sealing",
        *log,
        "--out",
        tmp_path / "change",
    ]
    assert 0 == start(*words)
    assert 0 == start(*words)
    assert "Kept in the job log" in capsys.readouterr().out
    lines = parse_csv(tmp_path / "change" / "life.csv", LIFE_COLUMNS)
    assert {1, 2, 3} == set(lines["survey"])
    assert start("jobs", "show", "Bench", "--json", *log) == 0
    [slab] = json.loads(capsys.readouterr().out)["slabs"]
    kept = [
        change
        for survey in slab["surveys"]
        for found in survey["inspections"]
        for change in found["comparisons"]
    ]
    assert 1 == len(kept)
    assert {"open": len(lines) // 3} == {
        state: n for state in ("closed", "open", "new") if (n := kept[0][f"n_{state}"])
    }


def test_surveys_by_number(place, tmp_path, capsys):
    """The letters that `jobs show` prints name a survey."""
    log = ["--log", place / "log"]
    capsys.readouterr()
    assert 0 == start("jobs", "show", "Bench", *log)
    numbers = [
        line.split()[0] for line in capsys.readouterr().out.splitlines() if " pits, largest" in line
    ]
    assert 3 == len(numbers)
    assert 0 == start(
        "compare", numbers[0], numbers[1], *log, "--no-log", "--out", tmp_path / "change"
    )
    assert 2 == start("compare", numbers[0], numbers[0], *log, "--out", tmp_path / "same")


def test_folder_without_pixels_says_what_to_do(place, tmp_path, capsys):
    """A folder of an older version is one sentence."""
    shutil.copytree(place / "face", tmp_path / "old")
    (tmp_path / "old" / "record.zip").unlink()
    assert 2 == start("compare", tmp_path / "old", place / "face", "--out", tmp_path / "change")
    assert "inspect its photo again" in capsys.readouterr().err
    assert not (tmp_path / "change").exists()


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("nowhere", "nothing"),
        ("./nowhere", "face"),
        ("Bench/A/never", "face"),
        ("", "face"),
        ("face/pits.csv", "face"),
    ],
)
def test_wrong_names_are_one_sentence(place, tmp_path, before, after, capsys, monkeypatch):
    """Exit code 2, one sentence, nothing made."""
    monkeypatch.chdir(place)
    made = sorted(place.iterdir())
    capsys.readouterr()
    assert 2 == start(
        "compare", before, after, "--log", place / "log", "--out", tmp_path / "change"
    )
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("rakelight:")]
    assert 1 == len(said)
    assert made == sorted(place.iterdir())
    assert [] == list(tmp_path.iterdir())


def test_neither_folders_nor_a_log(tmp_path, capsys, monkeypatch):
    """Two mistyped folders without a log: both are named, and that no log was found."""
    monkeypatch.chdir(tmp_path)
    assert 2 == start("compare", "nope1", "nope2", "--log", tmp_path / "log")
    complaint = capsys.readouterr().err
    assert "no folder nope1 or nope2" in complaint
    assert "no job log" in complaint
    assert [] == list(tmp_path.iterdir())


def test_log_is_closed_after_an_error(place, monkeypatch):
    """A survey that is not there leaves no open database behind."""
    closed = []
    close = Log.close
    monkeypatch.setattr(Log, "close", lambda log: (closed.append(log), close(log))[1])
    assert 2 == start("compare", "Bench/A/never", place / "face", "--log", place / "log")
    assert 1 == len(closed)


def test_soft_light_photo_of_another_frame_is_refused(place, tmp_path, capsys):
    """A soft-light photo that is not taken from the after photo's place is one sentence."""
    from PIL import Image

    Image.new("RGB", (700, 500), (120, 120, 118)).save(tmp_path / "soft.png")
    told = [
        "compare",
        place / "face",
        place / "face",
        "--soft-light",
        tmp_path / "soft.png",
        "--out",
        tmp_path / "c",
    ]
    assert 2 == start(*told)
    assert "another frame" in capsys.readouterr().err
