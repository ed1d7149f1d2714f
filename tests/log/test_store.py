"""Writing into the log and reading back."""

import dataclasses
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa

from rakelight.core.errors import LogError
from rakelight.log.check import check_log
from rakelight.log.connection import reading
from rakelight.log.history import list_history
from rakelight.log.search import show_job
from rakelight.log.store import (
    SurveyPlace,
    add_decision,
    add_job,
    add_note,
    add_pour_zone,
    add_repair,
    add_slab,
    add_trial,
    load_comparison,
    load_inspection,
    save_comparison,
    save_inspection,
)
from rakelight.log.tables import StoredInspection, ZoneSum

PLACE = SurveyPlace("Bench", "A", "after demold", datetime(2026, 11, 25, 9, tzinfo=UTC))


def test_inspection_comes_back(log, photo, make_inspection):
    """What was saved is what is loaded, and its photo lies in the folder."""
    inspection = make_inspection(photo=photo)
    uid = save_inspection(log, inspection, PLACE, photos=[photo])
    back = load_inspection(log, uid)
    pd.testing.assert_frame_equal(inspection.pits, back.pits)
    assert inspection.settings == back.settings
    assert inspection.face.rgb.shape == back.face.rgb.shape
    assert photo.read_bytes() in {path.read_bytes() for path in log.photos.list_kept()}
    assert check_log(log).is_clean


def test_sums_beside_the_record(log, make_inspection):
    """What is searched by is the sum of the pit table, in all and by zone."""
    inspection = make_inspection()
    save_inspection(log, inspection, PLACE)
    pits = inspection.pits
    with reading(log) as session:
        row = session.scalars(sa.select(StoredInspection)).one()
        zones = {z.zone: z for z in session.scalars(sa.select(ZoneSum))}
    assert (25, pits["diameter_mm"].max()) == (row.n_pits, row.largest_mm)
    assert (pits["kind"] == "pinhole").sum() == row.n_pinholes
    seen_mm2 = inspection.face.seen.sum() * 0.25
    assert pits["area_mm2"].sum() / seen_mm2 == pytest.approx(row.area_share)
    assert {"A", "B"} == set(zones)
    assert (pits["zone"] == "A").sum() == zones["A"].n_pits


def test_pits_too_small_to_count_are_in_no_sum(log, make_inspection):
    """Three of 25 pits flagged below the smallest countable size: 22 in all and in the zones together."""
    inspection = make_inspection()
    pits = inspection.pits.copy()
    pits.loc[:2, "flags"] = "near_edge|below_countable"
    save_inspection(log, dataclasses.replace(inspection, pits=pits), PLACE)
    with reading(log) as session:
        row = session.scalars(sa.select(StoredInspection)).one()
        n_in_zones = sum(zone.n_pits for zone in session.scalars(sa.select(ZoneSum)))
    assert (22, 22) == (row.n_pits, n_in_zones)
    assert pits["area_mm2"][3:].sum() / row.seen_mm2 == pytest.approx(row.area_share)


def test_empty_inspection(log, make_inspection):
    """A face without pits is kept like any other; what cannot be known is empty."""
    uid = save_inspection(log, make_inspection(n=0), PLACE)
    assert 0 == len(load_inspection(log, uid).pits)
    with reading(log) as session:
        assert session.scalars(sa.select(StoredInspection.largest_mm)).one() is None


def test_same_result_is_kept_once(log, photo, make_inspection):
    """Saving again gives the same name; other settings stand beside it in the same survey."""
    inspection = make_inspection(photo=photo)
    first = save_inspection(log, inspection, PLACE, photos=[photo])
    assert first == save_inspection(log, inspection, PLACE, photos=[photo])
    other = dataclasses.replace(inspection, version="0.2.0")
    assert first != save_inspection(log, other, PLACE, photos=[photo])
    [slab] = show_job(log, "Bench")["slabs"]
    assert [2] == [len(survey["inspections"]) for survey in slab["surveys"]]
    assert check_log(log).leftovers == ()


def test_other_stage_is_another_survey(log, photo, make_inspection):
    """The same photo at another stage is another survey of the same slab."""
    inspection = make_inspection(photo=photo)
    save_inspection(log, inspection, PLACE, photos=[photo])
    save_inspection(
        log, inspection, dataclasses.replace(PLACE, stage="after honing"), photos=[photo]
    )
    [slab] = show_job(log, "Bench")["slabs"]
    assert ["after demold", "after honing"] == [survey["stage"] for survey in slab["surveys"]]


def test_wrong_photo_is_refused(log, photo, make_inspection, tmp_path):
    """A photo other than the inspected one is not filed under its name, and nothing is kept."""
    other = tmp_path / "other.jpg"
    other.write_bytes(b"another")
    with pytest.raises(LogError, match="not the photo that was inspected"):
        save_inspection(log, make_inspection(photo=photo), PLACE, photos=[other])
    assert [] == list(log.photos.list_kept()) + log.photos.list_passing()
    with pytest.raises(LogError, match="no job"):
        show_job(log, "Bench")


def test_age_from_the_first_pour(log, make_inspection):
    """Where the pour is written down, the survey knows the slab's age in days."""
    add_job(log, "Bench")
    add_slab(log, "Bench", "A", width_mm=2400, height_mm=700)
    add_pour_zone(log, "Bench", "A", "B", poured_at=datetime(2026, 11, 24, 9, tzinfo=UTC))
    add_pour_zone(log, "Bench", "A", "A", poured_at=datetime(2026, 11, 22, 21, tzinfo=UTC))
    save_inspection(log, make_inspection(), PLACE)
    [slab] = show_job(log, "Bench")["slabs"]
    assert 2.5 == slab["surveys"][0]["age_days"]


def test_everything_people_write(log, make_inspection):
    """Jobs, slabs, zones, repairs, trials, notes and decisions are shown as they were written."""
    add_job(log, "Bench", client="pottery studio", agreed={"smallest_mm": 2})
    add_slab(log, "Bench", "A", openings=[{"name": "sink"}])
    add_pour_zone(log, "Bench", "A", "A", mix="white 2:1", batch="7", air_c=18)
    add_repair(log, "Bench", "A", "fill", n_pits=40, minutes=22.5, grams=11, material="rapid paste")
    add_trial(log, "Bench", recipe={"white_g": 80, "grey_g": 20}, tone_dE00=1.4)
    add_note(log, "Bench", "edge by the sink first", who="Kim")
    uid = save_inspection(log, make_inspection(), PLACE)
    add_decision(log, uid, "character", pit_id=3, why="client likes it")
    job = show_job(log, "Bench")
    [slab] = job["slabs"]
    assert ("pottery studio", {"smallest_mm": 2}) == (job["client"], job["agreed"])
    assert ("white 2:1", 18.0) == (slab["zones"][0]["mix"], slab["zones"][0]["air_c"])
    assert (40, 22.5, 11.0) == tuple(slab["repairs"][0][k] for k in ("n_pits", "minutes", "grams"))
    assert {"white_g": 80, "grey_g": 20} == job["trials"][0]["recipe"]
    assert "Kim" == job["notes"][0]["who"]
    [decision] = slab["surveys"][0]["inspections"][0]["decisions"]
    assert ("character", 3) == (decision["what"], decision["pit_id"])


def test_every_write_is_in_the_history(log, photo, make_inspection, make_comparison):
    """No record comes into the log without its line in the history."""
    a = save_inspection(log, make_inspection(photo=photo), PLACE, photos=[photo], who="Kim")
    b = save_inspection(log, make_inspection(2), dataclasses.replace(PLACE, stage="after filling"))
    save_comparison(log, make_comparison(), before_uid=a, after_uid=b)
    add_note(log, "Bench", "done")
    lines = list_history(log)
    counts = {
        kind: sum(line["kind"] == kind for line in lines) for kind in {x["kind"] for x in lines}
    }
    expected = {
        "job": 1,
        "slab": 1,
        "survey": 2,
        "photo": 1,
        "inspection": 2,
        "comparison": 1,
        "note": 1,
    }
    assert expected == counts
    assert {"add"} == {line["what"] for line in lines}
    assert 1 == len({line["job_uid"] for line in lines})


def test_decisions_over_the_measured(log, make_inspection):
    """What people decided can be laid over what was measured; the measured stays."""
    inspection = make_inspection()
    uid = save_inspection(log, inspection, PLACE)
    add_decision(log, uid, "delete", pit_id=2)
    add_decision(log, uid, "add", x_mm=10.0, y_mm=12.0, diameter_mm=3.0, why="felt with the pin")
    add_decision(log, uid, "character", pit_id=5)
    add_decision(log, uid, "resize", pit_id=7, diameter_mm=1.5)
    decided = load_inspection(log, uid, is_decided=True).pits.set_index("pit_id")
    assert 25 == len(decided)
    assert 2 not in decided.index
    assert (10.0, 12.0, 3.0, "bug_hole", "added_by_hand") == tuple(
        decided.loc[26, ["x_mm", "y_mm", "diameter_mm", "kind", "flags"]]
    )
    assert "near_edge character" == decided.loc[5, "flags"]
    assert (1.5, "pinhole") == tuple(decided.loc[7, ["diameter_mm", "kind"]])
    assert np.pi / 4 * 1.5**2 == pytest.approx(decided.loc[7, "area_mm2"])
    pd.testing.assert_frame_equal(inspection.pits, load_inspection(log, uid).pits)


def test_comparison_comes_back(log, make_inspection, make_comparison):
    """A comparison is kept once per pair, with its counts."""
    a = save_inspection(log, make_inspection(), PLACE)
    b = save_inspection(log, make_inspection(2), dataclasses.replace(PLACE, stage="after filling"))
    uid = save_comparison(log, make_comparison(), before_uid=a, after_uid=b, n_reopened=2)
    assert uid == save_comparison(log, make_comparison(), before_uid=a, after_uid=b)
    pd.testing.assert_frame_equal(make_comparison().table, load_comparison(log, uid).table)
    later = show_job(log, "Bench")["slabs"][0]["surveys"][1]["inspections"][0]
    assert (5, 2) == tuple(later["comparisons"][0][k] for k in ("n_closed", "n_reopened"))


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda log: add_job(log, " "), "name of 1 to 200 letters"),
        (lambda log: add_job(log, "Bench"), "already"),
        (lambda log: add_slab(log, "Bench", "A"), "already"),
        (lambda log: add_slab(log, "None", "A"), "no job 'None'"),
        (lambda log: add_repair(log, "Bench", "Z", "fill"), "no slab 'Z'"),
        (lambda log: add_repair(log, "Bench", "A", "fill", minutes="many"), "give it as a number"),
        (
            lambda log: add_repair(log, "Bench", "A", "fill", n_pits=2.5),
            "give it as a whole number",
        ),
        (lambda log: add_repair(log, "Bench", "A", "fill", hours=2), "has no 'hours'"),
        (lambda log: add_pour_zone(log, "Bench", "A", "A", poured_at="soon"), "a date and time"),
        (lambda log: add_decision(log, "x", "erase"), "A decision is one of"),
        (lambda log: add_decision(log, "x", "delete"), "no inspection 'x'"),
        (lambda log: load_inspection(log, "nope"), "no inspection 'nope'"),
    ],
)
def test_mistakes_get_one_sentence(log, call, sentence):
    """What cannot be done is said in one sentence, and nothing is written."""
    add_job(log, "Bench")
    add_slab(log, "Bench", "A")
    n_lines = len(list_history(log))
    with pytest.raises(LogError, match=sentence) as trouble:
        call(log)
    assert "\n" not in str(trouble.value)
    assert n_lines == len(list_history(log))


def test_full_disk_while_copying_a_photo(log, photo, make_inspection, monkeypatch):
    """When the disk fills up under a photo, one sentence comes and nothing half stays."""
    import os

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(LogError, match="disk is full"):
        save_inspection(log, make_inspection(photo=photo), PLACE, photos=[photo])
    monkeypatch.undo()
    assert [] == list(log.photos.list_kept()) + log.photos.list_passing()
    save_inspection(log, make_inspection(photo=photo), PLACE, photos=[photo])
    assert check_log(log).is_clean
