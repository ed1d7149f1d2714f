"""Corrections, putting away, bringing back and purging."""

import pytest
import sqlalchemy as sa

from rakelight.core.errors import LogError
from rakelight.log.check import check_log
from rakelight.log.connection import reading, writing
from rakelight.log.history import (
    correct_record,
    delete_record,
    list_history,
    purge_job,
    undelete_record,
    undo_change,
)
from rakelight.log.search import list_jobs, show_job
from rakelight.log.store import (
    SurveyPlace,
    add_job,
    add_note,
    add_repair,
    add_slab,
    save_comparison,
    save_inspection,
)
from rakelight.log.tables import Base


def first_note(log):
    """Return the one note of the job as it is shown."""
    return show_job(log, "Bench")["notes"]


def test_correction_keeps_what_stood_there(log):
    """The new words are shown, the old ones are in the history with who and why."""
    add_job(log, "Bench")
    uid = add_note(log, "Bench", "sealed on monday")
    correct_record(log, "note", uid, {"text": "sealed on friday"}, who="Kim", why="diary")
    assert "sealed on friday" == first_note(log)[0]["text"]
    line = list_history(log, row_uid=uid)[-1]
    assert ("correct", "Kim", "diary") == (line["what"], line["who"], line["why"])
    assert ("sealed on monday", "sealed on friday") == (
        line["before"]["text"],
        line["after"]["text"],
    )


def test_value_can_be_taken_away(log):
    """A wrong time can be cleared again."""
    add_job(log, "Bench")
    add_slab(log, "Bench", "A")
    uid = add_repair(log, "Bench", "A", "fill", minutes=900.0)
    correct_record(log, "repair", uid, {"minutes": None})
    assert show_job(log, "Bench")["slabs"][0]["repairs"][0]["minutes"] is None
    with pytest.raises(LogError, match="cannot be None"):
        correct_record(log, "repair", uid, {"action": None})


def test_undo_sets_it_back(log):
    """An undone correction is itself a line of the history, and can be undone."""
    add_job(log, "Bench")
    uid = add_note(log, "Bench", "one")
    correct_record(log, "note", uid, {"text": "two"})
    undo_change(log, list_history(log, row_uid=uid)[-1]["uid"])
    assert "one" == first_note(log)[0]["text"]
    undo_change(log, list_history(log, row_uid=uid)[-1]["uid"])
    assert "two" == first_note(log)[0]["text"]
    assert ["add", "correct", "undo", "undo"] == [x["what"] for x in list_history(log, row_uid=uid)]


def test_undo_in_the_wrong_order_is_refused(log):
    """A change below a later one is not silently torn out."""
    add_job(log, "Bench")
    uid = add_note(log, "Bench", "one")
    correct_record(log, "note", uid, {"text": "two"})
    correct_record(log, "note", uid, {"text": "three"})
    with pytest.raises(LogError, match="undo the later change first"):
        undo_change(log, list_history(log, row_uid=uid)[1]["uid"])
    with pytest.raises(LogError, match="can be undone"):
        undo_change(log, list_history(log, row_uid=uid)[0]["uid"])


def test_put_away_and_brought_back(log):
    """A job that was put away is neither listed nor shown, and comes back whole."""
    uid = add_job(log, "Bench")
    add_note(log, "Bench", "one")
    delete_record(log, "job", uid)
    assert 0 == len(list_jobs(log))
    assert ["Bench"] == list_jobs(log, is_deleted=True)["job"].tolist()
    with pytest.raises(LogError, match="no job"):
        show_job(log, "Bench")
    undelete_record(log, "job", uid)
    assert 1 == len(first_note(log))


def test_undo_a_deletion(log):
    """Putting away can be undone like a correction."""
    add_job(log, "Bench")
    uid = add_note(log, "Bench", "one")
    delete_record(log, "note", uid)
    assert [] == first_note(log)
    undo_change(log, list_history(log, row_uid=uid)[-1]["uid"])
    assert 1 == len(first_note(log))


@pytest.mark.parametrize("kind", ["photo", "inspection", "comparison"])
def test_measured_is_not_corrected(log, kind):
    """What was measured is answered with a decision, not with a correction."""
    for call in (delete_record, lambda *a: correct_record(*a, {"n_pits": 0})):
        with pytest.raises(LogError, match="kept as it was measured"):
            call(log, kind, "x")


def test_unknown_fields_and_records(log):
    """A field or record that is not there is named."""
    add_job(log, "Bench")
    uid = add_note(log, "Bench", "one")
    with pytest.raises(LogError, match="has no 'uid'"):
        correct_record(log, "note", uid, {"uid": "x"})
    with pytest.raises(LogError, match="no note 'x'"):
        correct_record(log, "note", "x", {"text": "y"})
    with pytest.raises(LogError, match="no kind of record 'cat'"):
        correct_record(log, "cat", "x", {"text": "y"})


def fill_job(log, name, photo, make_inspection, make_comparison, seed=1):
    """Write a job with everything in it."""
    place = SurveyPlace(name, "A", "after demold")
    a = save_inspection(log, make_inspection(seed, photo=photo), place, photos=[photo])
    b = save_inspection(log, make_inspection(seed + 1), SurveyPlace(name, "A", "after filling"))
    save_comparison(log, make_comparison(), before_uid=a, after_uid=b)
    add_note(log, name, f"client of {name} rang")


def test_purge_leaves_one_line(log, where, photo, make_inspection, make_comparison):
    """Of a purged job no row, no file and no byte stays but the fact; other jobs keep theirs."""
    fill_job(log, "Secret", photo, make_inspection, make_comparison)
    fill_job(log, "Bench", photo, make_inspection, make_comparison, seed=7)
    uid = list_jobs(log).set_index("job").loc["Secret", "uid"]
    with pytest.raises(LogError, match="Delete 'Secret' first"):
        purge_job(log, uid)
    delete_record(log, "job", uid)
    # Two faces are its own; the photo is shared with the other job and stays.
    assert 2 == purge_job(log, uid, why="client asked")
    assert ["Bench"] == list_jobs(log)["job"].tolist()
    assert 0 == len(list_jobs(log, is_deleted=True))
    assert [] == list_history(log, job_uid=uid)
    with reading(log) as session:
        for table in Base.metadata.sorted_tables:
            if table.name != "purge":
                text = str(session.execute(sa.select(table)).all())
                assert "Secret" not in text
                assert uid not in text
        [line] = session.execute(sa.text("SELECT job_uid, why FROM purge")).all()
    assert (uid, "client asked") == tuple(line)
    assert check_log(log).is_clean
    assert () == check_log(log).leftovers
    assert 3 == check_log(log).n_photos
    if log.is_sqlite:
        held = b"".join(p.read_bytes() for p in where.glob("log.sqlite*"))
        assert b"client of Bench rang" in held
        assert b"client of Secret rang" not in held


def test_history_outlives_everything_but_a_purge(log):
    """Rows of the history cannot be deleted for a job that was not purged."""
    add_job(log, "Bench")
    with pytest.raises(LogError), writing(log) as session:
        session.execute(sa.text("DELETE FROM history"))
    assert 1 == len(list_history(log))
