"""What a person types, and what they get when something is wrong."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from rakelight.cli import main
from rakelight.cli_given import parse_corners
from rakelight.core.errors import ScaleError
from rakelight.core.tables import INSPECTION_FILES, RECORD_FILE
from rakelight.report.record import read_record

ARGUMENTS = ["--mm-per-px", "0.15", "--lamp-from", "270", "--lamp-angle", "15"]
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"


def run(*arguments) -> int:
    """Return the exit code of one command."""
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    return ended.value.code


def test_inspect_writes_every_file_of_the_design(photo_file, tmp_path):
    """One command gives all ten files and the record; the summary holds what the design names."""
    out = tmp_path / "result"
    assert 0 == run("inspect", photo_file, *ARGUMENTS, "--out", out)
    assert sorted([*INSPECTION_FILES, RECORD_FILE]) == sorted(file.name for file in out.iterdir())
    summary = json.loads((out / "summary.json").read_text())
    wanted = {"schema", "version", "photo", "scale", "lamp", "counts", "per_m2", "per_ft2", "area_share",
              "windows", "grades", "colour", "plan", "limits_of_this_answer", "warnings"}  # fmt: skip
    assert set() == wanted - set(summary)


AGREED_BY_FACE = """
smallest_mm = 1.0
largest_mm = 9.0
[[faces]]
name = "edge"
largest_mm = 0.5
[[faces]]
name = "underside"
counts = false
"""


def test_another_face_is_judged_by_its_own_terms_and_named(photo_file, tmp_path, capsys):
    """Each face by its own terms, none where it does not count, the job's when none is said; others are refused."""
    agreed = tmp_path / "agreed.toml"
    agreed.write_text(AGREED_BY_FACE)
    verdicts = {}
    for face, name in (("edge", "bench, edge"), ("underside", "bench, underside"), ("", "bench")):
        out = tmp_path / f"of {name}"
        arguments = [*ARGUMENTS, "--slab-name", "bench", "--face", face, "--agreed", agreed, "--out", out]
        assert 0 == run("inspect", photo_file, *arguments)
        inspection = read_record(out)
        assert (name, face) == (inspection.job["slab"], inspection.job.get("face", ""))
        verdicts[face] = [entry["limit_text"] for entry in inspection.grade.agreed]
    assert ["no pit wider than 0.5 mm"] == verdicts["edge"]
    assert not verdicts["underside"]
    assert ["no pit wider than 9 mm"] == verdicts[""]
    assert 1 == capsys.readouterr().out.count("The agreement leaves this face out")
    assert 2 == run("inspect", photo_file, *ARGUMENTS, "--face", "back", "--agreed", agreed)
    assert "Nothing was agreed for face 'back'; agreed faces are edge, underside" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--soft-light", "nope.jpg"], "There is no file nope.jpg"),
        (["--soft-light", SAMPLES / "samples.toml"], "samples.toml"),
        (["--soft-light", SAMPLES / "before_soft_light.jpg", "--flat-field", "nope.jpg"], "no file nope.jpg"),
        (["--soft-light", SAMPLES / "before_soft_light.jpg", "--patches", "nope.csv"], "nope.csv"),
        (["--grey-card", "18,18,64,44"], "--grey-card goes with a soft-light photo"),
        (["--grey-card", "18,5,18,64,44,0,18"], "decimals with a point"),
        (["--other-lamp", "nope.jpg,0"], "There is no file nope.jpg"),
        (["--agreed", "nope.toml"], "no file nope.toml; check the name of the file with what was agreed"),
        (["--rates", "nope.toml"], "no file nope.toml; check the name of the file with the shop's times"),
        (["--zones", "nope.toml"], "no file nope.toml; check the name of the file with the zones"),
        (["--marks", "nope.toml"], "no file nope.toml; check the name of the file with the marks"),
        (["--pin-depths", "nope.csv"], "no file nope.csv; check the name of the file with the pin depths"),
        (["--pin-depths", "."], ". is a folder; name the file with the pin depths"),
        (["--scheme", "nope"], "no scheme 'nope'"),
        (["--smallest", "1,250"], "as 1.250 or 1250"),
        (["--smallest", "one"], "Write a number such as 0.25"),
        (["--lamp-from", "north"], "Write 0 for top, 90 right, 180 bottom, 270 left, or the word, not 'north'"),
        (["--out", SAMPLES], "is not a result of this kind"),
        (["--out", SAMPLES / "samples.toml"], "is a file"),
        (["--out", SAMPLES / "samples.toml" / "out"], "A part of"),
    ],
)
def test_what_cannot_be_used_is_told_before_anything_is_measured(photo_file, tmp_path, capsys, arguments, words):
    """Exit code 2 with one sentence without errno words; no step of the measuring was begun."""
    before = sorted(SAMPLES.rglob("*"))
    assert 2 == run("inspect", photo_file, *ARGUMENTS, "--out", tmp_path / "out", *arguments)
    told = capsys.readouterr().err.splitlines()
    assert words in told[-1]
    assert 1 == len(told)
    assert "Errno" not in told[-1]
    assert not (tmp_path / "out").exists()
    assert before == sorted(SAMPLES.rglob("*"))


def test_a_survey_never_takes_the_place_of_another(photo_file, tmp_path, capsys):
    """The same photo is inspected anew in its folder; another photo is refused there and the first survey stays."""
    out = tmp_path / "before"
    assert [0, 0] == [run("inspect", photo_file, *ARGUMENTS, "--out", out) for _ in range(2)]
    kept = (out / "pits.csv").read_bytes()
    capsys.readouterr()
    assert 2 == run("inspect", SAMPLES / "after_raking.jpg", *ARGUMENTS, "--out", out)
    assert f"holds the inspection of {photo_file.name}; name another folder" in capsys.readouterr().err
    assert kept == (out / "pits.csv").read_bytes()


def test_decimal_comma_is_understood(photo_file, tmp_path):
    """0,15 mm per pixel is .15."""
    said = ["--mm-per-px", "0,15", "--lamp-from", "270", "--lamp-angle", "15,0", "--smallest", "1,5"]
    assert 0 == run("inspect", photo_file, *said, "--out", tmp_path / "out")
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert 0.15 == pytest.approx(summary["scale"]["mm_per_px"])


def test_wrong_lamp_side_ends_with_3_and_says_what_to_do_last(tmp_path, capsys):
    """The sample lit from the left, said to be lit from the right: measured, written, and not to be trusted."""
    said = ["--mm-per-px", "0.165", "--lamp-from", "90", "--lamp-angle", "15"]
    assert 3 == run("inspect", SAMPLES / "before_raking.jpg", *said, "--out", tmp_path / "out")
    told = capsys.readouterr()
    assert "rakelight: Check the lamp's side before you fill anything." == told.err.splitlines()[-1]
    assert 1 == told.out.count("look lit from the left (270 degrees)")
    assert "other side than was said" not in told.out


@pytest.fixture
def bad_files(tmp_path):
    """A text named .jpg, a 10 x 10 picture, an empty file and a folder."""
    (tmp_path / "text.jpg").write_text("not a picture")
    Image.new("RGB", (10, 10)).save(tmp_path / "tiny.png")
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "folder.jpg").mkdir()
    return tmp_path


@pytest.mark.parametrize("name", ["missing.jpg", "text.jpg", "tiny.png", "empty.jpg", "folder.jpg"])
def test_bad_photos_are_one_sentence_and_leave_nothing(bad_files, name, capsys):
    """Exit code 2, one sentence, no folder."""
    before = sorted(bad_files.iterdir())
    assert 2 == run("inspect", bad_files / name, *ARGUMENTS, "--out", bad_files / "out")
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("rakelight:")]
    assert 1 == len(said)
    assert before == sorted(bad_files.iterdir())


@pytest.mark.parametrize(
    "arguments",
    [
        ["--mm-per-px", "0"],
        ["--mm-per-px", "-1"],
        ["--mm-per-px", "nan"],
        ["--mm-per-px", "wide"],
        [],
        ["--corners", "1,2 3,4", "--slab", "600x450"],
        ["--corners", "0,0 700,0 700,500 0,500", "--slab", "big"],
        ["--mm-per-px", "0.15", "--lamp-angle", "120"],
        ["--mm-per-px", "0.15", "--lamp-at", "1,2"],
        ["--mm-per-px", "0.15", "--lamp-at", "1,2,3", "--lamp-from", "90"],
        ["--mm-per-px", "0.15", "--smallest", "-2"],
        ["--mm-per-px", "0.15", "--scheme", "no_such_scheme"],
        ["--mm-per-px", "0.15", "--agreed", "nowhere.toml"],
    ],
)
def test_bad_words_are_one_sentence(photo_file, tmp_path, arguments, capsys):
    """Exit code 2, one sentence, nothing written."""
    assert 2 == run("inspect", photo_file, *arguments, "--out", tmp_path / "out")
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("rakelight:")]
    assert 1 == len(said)
    assert [] == list(tmp_path.iterdir())


def test_place_that_is_a_file_is_one_sentence(photo_file, tmp_path, capsys):
    """A file where the folder should go is left alone."""
    (tmp_path / "out").write_text("mine")
    assert 2 == run("inspect", photo_file, *ARGUMENTS, "--out", tmp_path / "out")
    assert "rakelight:" in capsys.readouterr().err
    assert "mine" == (tmp_path / "out").read_text()


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="needs to mount a tiny disk")
def test_full_disk_is_one_sentence(photo_file, tmp_path, capsys):
    """On a disk of 64 kB: exit code 2, one sentence, nothing left behind."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", disk], check=False, capture_output=True)
    if mounted.returncode:
        pytest.skip("cannot mount a tiny disk here")
    try:
        assert 2 == run("inspect", photo_file, *ARGUMENTS, "--out", disk / "out")
        assert "rakelight:" in capsys.readouterr().err
        assert [] == list(disk.iterdir())
    finally:
        subprocess.run(["umount", disk], check=True)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize(("stop", "code"), [(signal.SIGINT, 130), (signal.SIGKILL, -9)])
def test_interrupted_run_leaves_no_half_folder(photo_file, tmp_path, stop, code):
    """Ctrl-C says one sentence and ends with 130; after either signal no result folder exists."""
    command = [sys.executable, "-m", "rakelight", "inspect", photo_file, *ARGUMENTS, "--out", tmp_path / "out"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    while "finding" not in (line := process.stderr.readline()):
        assert line, "ended before it found anything"
    process.send_signal(stop)
    rest = process.communicate(timeout=60)[1]
    assert code == process.returncode
    assert not (tmp_path / "out").exists()
    assert "Traceback" not in rest


def test_help_answers_without_the_heavy_parts():
    """`rakelight --help` loads neither OpenCV, pandas nor the screens."""
    script = "import sys, rakelight.cli; print(sorted({'cv2', 'pandas', 'streamlit', 'skimage'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "[]" == done.stdout.strip()


def test_demo_names_what_it_wrote(tmp_path, capsys):
    """The demo runs on the sample photos, writes four inspections and a comparison, and names every file."""
    assert 0 == run("demo", "--samples", SAMPLES, "--out", tmp_path / "demo")
    printed = capsys.readouterr().out
    written = [file for file in (tmp_path / "demo").rglob("*") if file.is_file()]
    assert {"before", "after", "tilted", "plaster", "change"} == {file.parent.name for file in written}
    assert [] == [str(file) for file in written if str(file) not in printed]


def test_demo_without_samples_says_where_to_run_it(tmp_path, capsys):
    """A missing sample folder is one sentence and exit code 2."""
    assert 2 == run("demo", "--samples", tmp_path, "--out", tmp_path / "demo")
    assert "samples.toml" in capsys.readouterr().err


def test_corners_are_read_as_written():
    """Four corners come out as numbers."""
    assert ((1, 2), (3, 4), (5, 6), (7, 8)) == parse_corners("1,2 3,4 5,6 7,8")
    with pytest.raises(ScaleError):
        parse_corners("1,2 3,4 5,6 7")


def test_command_runs_as_a_module():
    """`python -m rakelight --version` prints the version."""
    done = subprocess.run([sys.executable, "-m", "rakelight", "--version"], capture_output=True, text=True, check=True)
    from rakelight import __version__

    assert __version__ in done.stdout
