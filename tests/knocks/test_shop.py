"""What a shop does to a program: odd names, closed folders, huge small files, positions in photos, wrong clocks."""

import datetime
import io
import os
import re
import struct
import subprocess
import sys
import zipfile
import zlib

import numpy as np
import pytest
from PIL import Image

from rakelight.cli import main
from rakelight.core.errors import PhotoError
from rakelight.core.records import Lamp
from rakelight.inspection import Given, inspect_photo
from rakelight.log.bundle import export_job
from rakelight.log.connection import open_log
from rakelight.log.history import list_history
from rakelight.log.merge import import_job
from rakelight.log.search import list_jobs
from rakelight.log.store import SurveyPlace, add_job, add_note, save_inspection
from rakelight.photo.read import read_photo
from rakelight.report.folder import write_inspection

ODD_NAMES = (
    "写真 é.jpg",
    "a;b&c$(x).jpg",
    "-rf.jpg",
    "\u202egpj.jpg",
    "x" * 200 + ".jpg",
    "con.jpg",
    "a'b\"c.jpg",
)


def run(*words) -> int:
    """Return the exit code of one command."""
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return ended.value.code


@pytest.fixture(scope="module")
def small(made_up):
    """Return the pixels of a small raking photo."""
    return np.ascontiguousarray(made_up.rgb[:240, :300])


@pytest.fixture(scope="module")
def placed(small, tmp_path_factory):
    """Return a photo whose camera wrote a position, a serial number and an owner."""
    exif = Image.Exif()
    exif[0x010F], exif[0x8298] = "Camera", "OWNER-NAME"
    shot, place = exif.get_ifd(0x8769), exif.get_ifd(0x8825)
    shot[0xA431], shot[0x9003] = "SERIAL-NUMBER", "2026:03:07 10:11:12"
    place[1], place[2], place[3], place[4] = "N", (52.0, 31.0, 12.345), "E", (13.0, 24.0, 18.765)
    place[0x1B] = b"ASCII\0\0\0GPS-METHOD"
    path = tmp_path_factory.mktemp("placed") / "placed.jpg"
    Image.fromarray(small).save(path, quality=92, exif=exif)
    assert b"GPS-METHOD" in path.read_bytes() and b"OWNER-NAME" in path.read_bytes()
    return path


def test_no_position_and_no_name_reach_any_file(placed, tmp_path):
    """Neither position, serial number nor owner stands in any file of an inspection, zips unpacked."""
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said"), job={"job": "Bench"})
    inspection = inspect_photo(placed, given)
    files = write_inspection(inspection, tmp_path / "out")
    texts = {}
    for file in (tmp_path / "out").iterdir():
        if zipfile.is_zipfile(file) and file.suffix == ".zip":
            with zipfile.ZipFile(file) as archive:
                texts |= {name: archive.read(name) for name in archive.namelist()}
        else:
            texts[file.name] = file.read_bytes()
    assert len(files) >= 10
    signs = re.compile(rb"GPS|OWNER-NAME|SERIAL-NUMBER|52[.,]520|13[.,]405|12\.345|18\.765")
    assert [] == [name for name, data in texts.items() if signs.search(data)]
    for name, data in texts.items():
        if name.endswith((".jpg", ".png")):
            with Image.open(io.BytesIO(data)) as picture:
                assert {} == dict(picture.getexif())


def test_no_position_travels_in_a_bundle(placed, tmp_path):
    """The log's copy and the bundle hold the photo without its place; its pixels are the same to the bit."""
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said"))
    inspection = inspect_photo(placed, given)
    with open_log(tmp_path / "log") as log:
        save_inspection(log, inspection, SurveyPlace("Bench", "A"), photos=[placed])
        bundle = export_job(log, "Bench", tmp_path / "bench.zip")
        kept = [file for file in log.photos.list_kept() if b"Camera" in file.read_bytes()]
        with open_log(tmp_path / "other") as other:
            import_job(other, bundle)
            assert ["Bench"] == list_jobs(other)["job"].tolist()
    with zipfile.ZipFile(bundle) as archive:
        found = [name for name in archive.namelist() if b"GPS-METHOD" in archive.read(name)]
    assert [] == found and 1 == len(kept)
    assert b"GPS-METHOD" not in kept[0].read_bytes()
    assert (read_photo(placed).rgb == read_photo(kept[0]).rgb).all()
    assert "2026:03:07 10:11:12" == read_photo(kept[0]).exif["DateTimeOriginal"]


@pytest.mark.parametrize("name", ODD_NAMES)
def test_odd_names_go_all_the_way(small, tmp_path, name):
    """Photo, folder and job under an odd name: inspected, or told in one sentence; nothing lands elsewhere."""
    photo = tmp_path / name
    Image.fromarray(small).save(photo, quality=90)
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said"))
    inspection = inspect_photo(photo, given)
    stem = name[:80].removesuffix(".jpg")
    with open_log(tmp_path / f"log {stem}") as log:
        save_inspection(log, inspection, SurveyPlace(stem, "é"), photos=[photo])
        assert [stem] == list_jobs(log)["job"].tolist()


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the administrator may write anywhere"
)
def test_a_closed_folder_is_one_sentence(small, tmp_path, capsys):
    """Results, log and batch in a folder that may not be written: exit code 2 and a sentence each."""
    photo, closed = tmp_path / "p.jpg", tmp_path / "closed"
    Image.fromarray(small).save(photo)
    closed.mkdir(mode=0o555)
    words = ["--mm-per-px", "0.15", "--lamp-from", "270"]
    assert 2 == run("inspect", photo, *words, "--out", closed / "out")
    assert 2 == run("batch", photo, "--scale", "0.15", "--no-log", "--out", closed / "out")
    assert 2 == run(
        "batch", photo, "--scale", "0.15", "--log", closed / "log", "--out", tmp_path / "out"
    )
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("rakelight:")]
    assert 3 == len(said)
    assert [] == list(closed.iterdir())


READ_AND_TELL = """
import sys
from rakelight.core.errors import PhotoError
from rakelight.photo.read import read_photo
try:
    read_photo(sys.argv[1])
except PhotoError as error:
    print(error)
with open("/proc/self/status") as status:
    print(next(line for line in status if line.startswith("VmHWM")).split()[1])
"""


def write_flat_png(path, width, height):
    """Write a grey picture of one tone, packed row by row, so that the test itself needs no memory."""

    def block(name, data):
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    packer, row = zlib.compressobj(9), bytes(width + 1)
    body = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    head = block(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + head + block(b"IDAT", body) + block(b"IEND", b""))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peak memory as Linux tells it")
@pytest.mark.parametrize(("width", "height"), [(60_000, 9_000), (24_000, 24_000)])
def test_a_small_file_that_unpacks_to_much_is_refused(tmp_path, width, height):
    """Hundreds of megapixels out of a megabyte: refused on the header, in less than 300 MB."""
    path = tmp_path / "bomb.png"
    write_flat_png(path, width, height)
    assert path.stat().st_size < 1_500_000
    command = [sys.executable, "-c", READ_AND_TELL, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    sentence, peak_kb = done.stdout.strip().splitlines()
    assert "megapixels" in sentence and sentence.endswith(".")
    assert int(peak_kb) < 300_000


def test_a_large_real_photo_is_not_taken_for_one(tmp_path):
    """45 megapixels of grain at poor JPEG quality, far darker than any photo, are read."""
    rng = np.random.default_rng(2)
    tile = np.clip(rng.normal(12, 3, (750, 1000, 1)), 0, 255).astype(np.uint8).repeat(3, axis=2)
    path = tmp_path / "dark.jpg"
    Image.fromarray(np.tile(tile, (8, 8, 1))).save(path, quality=40)
    assert (6000, 8000) == read_photo(path).shape_px


@pytest.mark.parametrize("size", [(60_000, 70), (70, 60_000)])
def test_sixty_thousand_pixels_wide(tmp_path, size):
    """As long as a picture of 60,000 px is not too large it is read."""
    path = tmp_path / "long.png"
    Image.new("RGB", size, (120, 118, 115)).save(path)
    assert size[::-1] == read_photo(path).shape_px


def test_a_clock_that_jumps_back_breaks_no_history(tmp_path, monkeypatch):
    """Two hours back between two notes (summer time, a dead battery): both are kept, in the order they were written."""
    import rakelight.log.tables as tables

    moment = datetime.datetime(2026, 10, 25, 2, 30, tzinfo=datetime.UTC)
    with open_log(tmp_path / "log") as log:
        uid = add_job(log, "Bench")
        for hours in (0, -2, 24 * 365 * 30):
            monkeypatch.setattr(
                tables, "now_utc", lambda h=hours: moment + datetime.timedelta(hours=h)
            )
            add_note(log, "Bench", f"note {hours}")
        notes = [
            line["after"].get("text")
            for line in list_history(log, job_uid=uid)
            if line["kind"] == "note"
        ]
        assert {"note 0", "note -2", "note 262800"} == set(notes)
        assert ["Bench"] == list_jobs(log)["job"].tolist()


WRONG_DAYS = (
    "0000:00:00 00:00:00", "9999:99:99 99:99:99", "\x00" * 19, "2026:02:30 25:61:61", "1904:01:01 00:00:00",
)  # fmt: skip


@pytest.mark.parametrize("day", WRONG_DAYS)
def test_a_camera_with_a_wrong_clock(small, tmp_path, day):
    """A day that cannot be stops nothing: pages are written all the same."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = day
    path = tmp_path / "p.jpg"
    Image.fromarray(small).save(path, quality=92, exif=exif)
    inspection = inspect_photo(path, Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said")))
    assert 10 <= len(write_inspection(inspection, tmp_path / "out"))


def test_a_link_to_nowhere_and_a_pipe_are_one_sentence(tmp_path):
    """A dead link, and a loop of links."""
    (tmp_path / "dead.jpg").symlink_to(tmp_path / "nothing.jpg")
    (tmp_path / "loop.jpg").symlink_to(tmp_path / "loop.jpg")
    for name in ("dead.jpg", "loop.jpg"):
        with pytest.raises(PhotoError, match=r"\.$"):
            read_photo(tmp_path / name)
