"""One job as one file, there and back, and files built to do harm."""

import hashlib
import json
import stat
import zipfile
from datetime import UTC, datetime

import pandas as pd
import pytest

from rakelight.core.errors import LogError
from rakelight.core.settings import LogSettings
from rakelight.log import bundle as bundle_module
from rakelight.log import intake
from rakelight.log.bundle import export_job
from rakelight.log.check import check_log
from rakelight.log.connection import open_log
from rakelight.log.history import correct_record, delete_record, list_history, undelete_record
from rakelight.log.merge import import_job
from rakelight.log.search import Question, list_jobs, search_log, show_job
from rakelight.log.store import (
    SurveyPlace,
    add_decision,
    add_note,
    add_pour_zone,
    add_repair,
    add_trial,
    load_comparison,
    load_inspection,
    save_comparison,
    save_inspection,
)


def fill(log, photo, make_inspection, make_comparison, name="Bench"):
    """Write a job with every kind of record and return the uids of its inspections."""
    place = SurveyPlace(name, "A", "after demold", datetime(2026, 11, 3, 9, tzinfo=UTC))
    a = save_inspection(log, make_inspection(1, photo=photo), place, photos=[photo], who="Kim")
    b = save_inspection(log, make_inspection(2), SurveyPlace(name, "A", "after filling"))
    save_comparison(log, make_comparison(), before_uid=a, after_uid=b, n_reopened=1)
    add_pour_zone(log, name, "A", "A", mix="white 2:1", air_c=18.5)
    add_repair(log, name, "A", "fill", n_pits=30, minutes=16.5)
    add_trial(log, name, recipe={"white_g": 80})
    add_decision(log, a, "delete", pit_id=4, why="a crumb")
    gone = add_note(log, name, "put away")
    delete_record(log, "note", gone)
    add_note(log, name, "kept – mit Umlaut ä")
    return a, b


@pytest.fixture
def other(tmp_path):
    """Return the log of another shop."""
    with open_log(tmp_path / "other") as opened:
        yield opened


@pytest.fixture
def bundle(files_log, photo, make_inspection, make_comparison, tmp_path):
    """Return the bundle of a full job."""
    fill(files_log, photo, make_inspection, make_comparison)
    return export_job(files_log, "Bench", tmp_path / "bench.zip")


def test_there_and_back(log, other, photo, make_inspection, make_comparison, tmp_path):
    """Everything about a job, its history too, is the same in the other log."""
    a, _ = fill(log, photo, make_inspection, make_comparison)
    done = import_job(other, export_job(log, "Bench", tmp_path))
    assert ("Bench", []) == (done.job, done.differing)
    assert show_job(log, "Bench") == show_job(other, "Bench")
    pd.testing.assert_frame_equal(load_inspection(log, a).pits, load_inspection(other, a).pits)
    assert load_inspection(log, a).settings == load_inspection(other, a).settings
    face = load_inspection(log, a).face
    assert (face.rgb == load_inspection(other, a).face.rgb).all()
    mine, theirs = list_history(log), list_history(other)
    assert mine == theirs[: len(mine)]
    assert ["import"] == [line["what"] for line in theirs[len(mine) :]]
    assert check_log(other).is_clean
    assert photo.read_bytes() in {p.read_bytes() for p in other.photos.list_kept()}
    found = search_log(other, Question(zone="A", mix="white", is_reopened=True))
    assert 1 == len(found)
    uid = show_job(other, "Bench")["slabs"][0]["surveys"][1]["inspections"][0]["comparisons"][0][
        "uid"
    ]
    assert load_comparison(log, uid).figures == load_comparison(other, uid).figures
    # What was put away travels too, and can be brought back over there.
    [gone] = [x for x in mine if x["kind"] == "note" and x["what"] == "delete"]
    undelete_record(other, "note", gone["row_uid"])
    assert 2 == len(show_job(other, "Bench")["notes"])


def test_open_formats(bundle, photo):
    """The bundle can be read with any zip program: JSON, CSV, JPEG, PNG, and a list with SHA-256."""
    with zipfile.ZipFile(bundle) as file:
        names = set(file.namelist())
        listed = json.loads(file.read("bundle.json"))
        assert names == set(listed["files"]) | {"bundle.json"}
        for name, entry in listed["files"].items():
            data = file.read(name)
            assert (len(data), hashlib.sha256(data).hexdigest()) == (
                entry["n_bytes"],
                entry["sha256"],
            )
        assert {"json", "csv", "png", "jpg"} == {name.rpartition(".")[2] for name in names}
        assert photo.read_bytes() in {file.read(n) for n in names if n.startswith("photos/")}
        pits = [file.read(n) for n in names if n.endswith("/pits.csv")]
        assert all(text.startswith(b"pit_id,x_mm,y_mm") for text in pits)
        jobs = json.loads(file.read("records/job.json"))
        assert ["Bench"] == [job["name"] for job in jobs]
    assert {"format", "schema", "version", "job", "files"} == set(listed)


def test_same_job_same_bytes(files_log, bundle, tmp_path):
    """Exported twice, the bundle is the same byte by byte."""
    assert (
        bundle.read_bytes() == export_job(files_log, "Bench", tmp_path / "again.zip").read_bytes()
    )


def test_import_twice_adds_nothing(other, bundle):
    """The second import finds everything there."""
    import_job(other, bundle)
    before = list_history(other)
    done = import_job(other, bundle)
    assert ({}, []) == (done.added, done.differing)
    assert before == list_history(other)


def test_import_adds_only_what_is_missing(files_log, other, bundle, tmp_path):
    """What came since is added; what was changed here stays and is named."""
    import_job(other, bundle)
    add_note(files_log, "Bench", "news")
    newer = export_job(files_log, "Bench", tmp_path / "newer.zip")
    note = show_job(other, "Bench")["notes"][0]["uid"]
    correct_record(other, "note", note, {"text": "my own words"})
    done = import_job(other, newer)
    assert {"note": 1} == done.added
    assert [f"note {note}"] == done.differing
    assert ["my own words", "news"] == [x["text"] for x in show_job(other, "Bench")["notes"]]


def test_same_name_other_job(other, bundle, photo, make_inspection, make_comparison):
    """A job of the same name is told apart by a number."""
    fill(other, photo, make_inspection, make_comparison)
    assert "Bench (2)" == import_job(other, bundle).job
    assert {"Bench", "Bench (2)"} == set(list_jobs(other)["job"])


def test_put_away_job_is_not_filled_up(other, bundle):
    """A job that was put away here is brought back before it is imported again."""
    uid = import_job(other, bundle).uid
    delete_record(other, "job", uid)
    with pytest.raises(LogError, match="was put away here; bring it back"):
        import_job(other, bundle)


def test_existing_file_is_not_overwritten(files_log, bundle):
    """A bundle never replaces a file."""
    with pytest.raises(LogError, match="exists already"):
        export_job(files_log, "Bench", bundle)


def test_file_name_from_the_job(files_log, photo, make_inspection, make_comparison, tmp_path):
    """In a folder the bundle is named after the job, with harmless letters only."""
    fill(files_log, photo, make_inspection, make_comparison, name="../Bench: Küche/2")
    assert tmp_path / "Bench__Küche_2.zip" == export_job(files_log, "../Bench: Küche/2", tmp_path)


@pytest.mark.parametrize("harm", ["missing", "altered"])
def test_damaged_photo_is_not_exported(
    files_log, photo, make_inspection, make_comparison, tmp_path, harm
):
    """A bundle of a damaged log is not made, and nothing half is left."""
    fill(files_log, photo, make_inspection, make_comparison)
    path = next(p for p in files_log.photos.list_kept() if p.read_bytes() == photo.read_bytes())
    path.chmod(0o644)
    path.unlink() if harm == "missing" else path.write_bytes(b"other")
    with pytest.raises(LogError, match=harm):
        export_job(files_log, "Bench", tmp_path / "b.zip")
    assert [] == list(tmp_path.glob("b.zip*"))


# --- damage and harm ---------------------------------------------------------------------------


def rewrite(bundle, target, change, *, is_listing=True):
    """Write a copy of a bundle whose files (name -> bytes) went through `change`, listed afresh."""
    with zipfile.ZipFile(bundle) as file:
        files = {name: file.read(name) for name in file.namelist()}
    manifest = json.loads(files.pop("bundle.json"))
    change(files, manifest)
    if is_listing:
        manifest["files"] = {
            name: {"sha256": hashlib.sha256(data).hexdigest(), "n_bytes": len(data)}
            for name, data in files.items()
        }
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in files.items():
            file.writestr(name, data)
        file.writestr("bundle.json", json.dumps(manifest))
    return target


def edit(name, change):
    """Return a change of one JSON file of rows."""

    def apply(files, _):
        rows = json.loads(files[f"records/{name}.json"])
        change(rows)
        files[f"records/{name}.json"] = json.dumps(rows).encode()

    return apply


def pits_of(files):
    """Return the name of one pit table in a bundle."""
    return next(name for name in files if name.endswith("/pits.csv"))


REFUSED = {
    "cut table": lambda f, m: f.update({pits_of(f): f[pits_of(f)][:-30]}),
    "no record": lambda f, m: f.pop(pits_of(f).replace("pits.csv", "record.json")),
    "not JSON": lambda f, m: f.update({"records/note.json": b"{"}),
    "NaN": lambda f, m: f.update({"records/note.json": b"[{\"uid\": NaN}]"}),
    "deep": lambda f, m: f.update({"records/note.json": b"[" * 100_000}),
    "no rows": lambda f, m: f.update({"records/note.json": b"{}"}),
    "no job": lambda f, m: f.update({"records/job.json": b"[]"}),
    "two jobs": edit("job", lambda rows: rows.append(dict(rows[0], uid="b" * 32))),
    "other job": lambda f, m: m.update(job="c" * 32),
    "bad job": lambda f, m: m.update(job="../../etc"),
    "newer": lambda f, m: m.update(schema=99),
    "no schema": lambda f, m: m.pop("schema"),
    "odd schema": lambda f, m: m.update(schema="1"),
    "other format": lambda f, m: m.update(format="something"),
    "bad uid": edit("note", lambda rows: rows[0].update(uid="x")),
    "no uid": edit("note", lambda rows: rows[0].pop("uid")),
    "orphan": edit("note", lambda rows: rows[0].update(job_id="d" * 32)),
    "list for a parent": edit("repair", lambda rows: rows[0].update(slab_id=[])),
    "list in the history": edit("history", lambda rows: rows[0].update(uid=[])),
    "wrong type": edit("repair", lambda rows: rows[0].update(minutes="many")),
    "huge number": edit("repair", lambda rows: rows[0].update(n_pits=10**400)),
    "text for time": edit("survey", lambda rows: rows[0].update(taken_at="soon")),
    "nothing where something must be": edit("note", lambda rows: rows[0].update(text=None)),
    "lost photo": lambda f, m: [f.pop(n) for n in list(f) if n.startswith("photos/")],
    "stray photo": lambda f, m: f.update({f"photos/{hashlib.sha256(b'x').hexdigest()}.jpg": b"x"}),
    "wrong photo": lambda f, m: f.update({next(n for n in f if n.startswith("photos/")): b"x"}),
    "program": lambda f, m: f.update({f"photos/{hashlib.sha256(b'x').hexdigest()}.exe": b"x"}),
    "climbing": lambda f, m: f.update({"../../evil.txt": b"x"}),
    "absolute": lambda f, m: f.update({"/evil.txt": b"x"}),
    "drive": lambda f, m: f.update({"C:\\evil.txt": b"x"}),
    "hidden climb": lambda f, m: f.update({"photos/../../evil.txt": b"x"}),
    "backslash": lambda f, m: f.update({"photos\\..\\evil.txt": b"x"}),
    "stranger": lambda f, m: f.update({"readme.txt": b"x"}),
    "history of another": edit("history", lambda rows: rows[0].update(uid="e" * 32, job_uid="f" * 32)),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_harm_is_refused(other, bundle, tmp_path, name):
    """Damage and harm get one sentence; the log and the disk stay as they were."""
    bad = rewrite(bundle, tmp_path / "bad.zip", REFUSED[name])
    outside = {p for p in tmp_path.rglob("*") if p.is_file()}
    with pytest.raises(LogError) as trouble:
        import_job(other, bad)
    assert "\n" not in str(trouble.value)
    assert 0 == len(list_jobs(other))
    assert [] == list(other.photos.list_kept()) + other.photos.list_passing()
    assert outside == {p for p in tmp_path.rglob("*") if p.is_file()}
    assert check_log(other).is_clean


def test_list_for_a_photo_that_is_here_is_refused(other, bundle, tmp_path):
    """Where the photo's row is here already, a damaged name of its file leaves the file unnamed."""
    import_job(other, bundle)
    bad = rewrite(
        bundle, tmp_path / "bad.zip", edit("photo", lambda rows: rows[0].update(sha256=[[]]))
    )
    with pytest.raises(LogError, match="does not name"):
        import_job(other, bad)


def test_claim_on_another_job_is_refused(
    other, bundle, tmp_path, photo, make_inspection, make_comparison
):
    """A bundle cannot hang its rows below a job that is not its own."""
    fill(other, photo, make_inspection, make_comparison, name="Victim")
    victim = show_job(other, "Victim")["slabs"][0]["uid"]

    def steal(files, _):
        text = files["records/slab.json"].decode()
        uid = json.loads(text)[0]["uid"]
        for name in ("slab", "survey", "pour_zone", "repair", "history"):
            key = f"records/{name}.json"
            files[key] = files[key].replace(uid.encode(), victim.encode())

    before = show_job(other, "Victim")
    with pytest.raises(LogError, match="claims a slab of another job"):
        import_job(other, rewrite(bundle, tmp_path / "bad.zip", steal))
    assert before == show_job(other, "Victim")


def test_lies_about_sizes_are_caught(other, bundle, tmp_path, monkeypatch):
    """A file that unpacks to more than the list says is stopped while it is read."""

    def lie(files, manifest):
        files["records/note.json"] = b"[" + b" " * 1_000_000 + b"]"
        manifest["files"]["records/note.json"] = {"sha256": "0" * 64, "n_bytes": 10}

    with pytest.raises(LogError, match="holds more than it says"):
        import_job(other, rewrite(bundle, tmp_path / "bad.zip", lie, is_listing=False))


def test_swollen_table_is_refused(other, bundle, monkeypatch):
    """A table or record that says it is larger than any real one is not unpacked."""
    monkeypatch.setattr(intake, "TEXT_BYTES_MAX", 1000)
    with pytest.raises(LogError, match="list of files"):
        import_job(other, bundle)


def test_limits_of_size_and_number(bundle, tmp_path):
    """A bundle larger than allowed, or of too many files, is refused before it is read."""
    with (
        open_log(tmp_path / "small", settings=LogSettings(bundle_max_gb=0.001)) as log,
        pytest.raises(LogError, match=r"raise bundle_max_gb"),
    ):
        import_job(
            log,
            rewrite(
                bundle,
                tmp_path / "big.zip",
                lambda f, m: f.update({"records/note.json": b"[" + b" " * 2_000_000 + b"]"}),
            ),
        )
    with (
        open_log(tmp_path / "few", settings=LogSettings(bundle_max_files=10)) as log,
        pytest.raises(LogError, match="more than 10 files"),
    ):
        import_job(log, bundle)


def test_twin_names_and_links(other, bundle, tmp_path):
    """Two files of one name, a symbolic link and an encrypted entry are refused."""
    twins = tmp_path / "twins.zip"
    twins.write_bytes(bundle.read_bytes())
    with zipfile.ZipFile(twins, "a") as file, pytest.warns(UserWarning, match="Duplicate name"):
        file.writestr("bundle.json", "{}")
    with pytest.raises(LogError, match="two files of one name"):
        import_job(other, twins)
    link = tmp_path / "link.zip"
    with zipfile.ZipFile(link, "w") as file:
        info = zipfile.ZipInfo("bundle.json")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        file.writestr(info, "/etc/passwd")
    with pytest.raises(LogError, match="not a bundle"):
        import_job(other, link)


@pytest.mark.parametrize("seed", range(12))
def test_flipped_bytes_never_get_in(other, bundle, tmp_path, seed):
    """Whatever single byte is flipped, the import is refused or the job is exactly the same."""
    import numpy as np

    data = bytearray(bundle.read_bytes())
    data[int(np.random.default_rng(seed).integers(len(data)))] ^= 0x41
    bad = tmp_path / "flipped.zip"
    bad.write_bytes(bytes(data))
    try:
        import_job(other, bad)
    except LogError:
        assert 0 == len(list_jobs(other))
    assert check_log(other).is_clean


@pytest.mark.parametrize("content", [b"", b"PK", b"just text", b"PK\x03\x04" + b"\0" * 100])
def test_what_is_no_bundle(other, tmp_path, content):
    """Any other file is named as such."""
    path = tmp_path / "x.zip"
    path.write_bytes(content)
    with pytest.raises(LogError, match="not a bundle"):
        import_job(other, path)
    with pytest.raises(LogError, match="no file"):
        import_job(other, tmp_path / "gone.zip")


def test_older_schema_is_brought_up(other, bundle, monkeypatch):
    """A bundle of an older schema goes through the steps to this one."""
    monkeypatch.setattr(intake, "BUNDLE_SCHEMA", 3)

    def rename(records):
        return {**records, "note": [dict(row, text=row["text"].upper()) for row in records["note"]]}

    def keep(records):
        return records

    monkeypatch.setattr(intake, "UPGRADES", {1: rename, 2: keep})
    import_job(other, bundle)
    assert {"KEPT – MIT UMLAUT Ä"} == {note["text"] for note in show_job(other, "Bench")["notes"]}


def test_every_older_schema_has_its_step():
    """For each schema below this version's there is a step to the next."""
    assert set(range(1, bundle_module.BUNDLE_SCHEMA)) == set(intake.UPGRADES)
