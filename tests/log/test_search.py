"""Finding jobs again."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from rakelight.core.errors import LogError
from rakelight.core.records import FOUND_COLUMNS, JOB_COLUMNS, make_table
from rakelight.log.history import correct_record, delete_record
from rakelight.log.search import (
    Question,
    find_inspection,
    has_job,
    list_jobs,
    list_series,
    search_jobs,
    search_log,
    show_job,
)
from rakelight.log.store import (
    SurveyPlace,
    add_job,
    add_note,
    add_pour_zone,
    add_slab,
    save_comparison,
    save_inspection,
)


@pytest.fixture
def busy_log(log, make_inspection, make_comparison):
    """Return a log of three jobs: one called back, one older, one without any survey."""
    add_job(log, "Bench", client="pottery studio", site="kiln room")
    add_slab(log, "Bench", "A")
    add_pour_zone(log, "Bench", "A", "A", mix="white 2:1")
    add_pour_zone(log, "Bench", "A", "B", mix="grey 3:1")
    november = SurveyPlace("Bench", "A", "after demold", datetime(2026, 11, 3, 9, tzinfo=UTC))
    first = save_inspection(log, make_inspection(1), november)
    later = replace(november, stage="call-back", taken_at=datetime(2028, 11, 20, 9, tzinfo=UTC))
    second = save_inspection(log, make_inspection(2, n=12), later)
    save_comparison(log, make_comparison(), before_uid=first, after_uid=second, n_reopened=3)
    old = SurveyPlace("Shelf", "S", "after demold", datetime(2025, 5, 31, 23, 30, tzinfo=UTC))
    save_inspection(log, make_inspection(3, n=40), old)
    add_note(log, "Shelf", "edge chipped in the van")
    add_job(log, "Empty 100%_")
    return log


def test_list_of_jobs(busy_log):
    """Each job is one row with its latest survey; the latest comes first, unsurveyed ones by their making."""
    jobs = list_jobs(busy_log).set_index("job")
    assert [c.name for c in JOB_COLUMNS] == list(list_jobs(busy_log).columns)
    assert make_table(JOB_COLUMNS).dtypes.to_dict() == list_jobs(busy_log).dtypes.to_dict()
    assert "Bench" == jobs.index[0]
    bench = jobs.loc["Bench"]
    assert (1, 2, "call-back", "2028-11-20", 12, 3) == tuple(
        bench[["n_slabs", "n_surveys", "last_stage", "last_day", "n_pits", "n_reopened"]]
    )
    assert (40, 0) == tuple(jobs.loc["Shelf", ["n_pits", "n_reopened"]])
    empty = jobs.loc["Empty 100%_"]
    assert (0, 0, "", "") == tuple(empty[["n_slabs", "n_surveys", "last_stage", "last_day"]])
    assert empty["n_pits"] is not None and str(empty["n_pits"]) == "<NA>"


def test_empty_log(log):
    """An empty log lists nothing, with all columns."""
    assert [c.name for c in JOB_COLUMNS] == list(list_jobs(log).columns)
    assert [c.name for c in FOUND_COLUMNS] == list(search_log(log, Question()).columns)


@pytest.mark.parametrize(
    ("question", "stages"),
    [
        (Question(), ["call-back", "after demold", "after demold"]),
        (Question(job="bench"), ["call-back", "after demold"]),
        (Question(job="KILN"), ["call-back", "after demold"]),
        (Question(job="van"), ["after demold"]),
        (Question(job="100%"), []),
        (Question(month="2026-11"), ["after demold"]),
        (Question(month="2025-06"), []),
        (Question(month="2025-05"), ["after demold"]),
        (Question(stage="call"), ["call-back"]),
        (Question(is_reopened=True), ["call-back"]),
        (Question(is_reopened=True, month="2026-11"), []),
        (Question(mix="white"), ["call-back", "after demold"]),
        (Question(mix="white", zone="B"), []),
        (Question(mix="grey", zone="B"), ["call-back", "after demold"]),
        (Question(zone="none"), []),
        (Question(min_size_mm=9.5), []),
    ],
)
def test_questions(busy_log, question, stages):
    """Every part of a question must hold; signs in words are taken as they are."""
    assert stages == search_log(busy_log, question)["stage"].tolist()


def test_size_in_a_zone(busy_log, make_inspection):
    """Asked for a zone, the size and the number are those of the zone."""
    pits = make_inspection(1).pits
    in_a = pits[pits["zone"] == "A"]
    question = Question(job="bench", zone="A", month="2026-11")
    [row] = search_log(busy_log, question).to_dict("records")
    assert (len(in_a), in_a["diameter_mm"].max()) == (row["n_pits"], row["largest_mm"])
    assert ("A", "white 2:1") == (row["zone"], row["mix"])
    just_above = in_a["diameter_mm"].max() + 0.01
    assert 0 == len(search_log(busy_log, replace(question, min_size_mm=just_above)))


def test_what_was_put_away_is_not_found(busy_log):
    """A deleted job, slab or survey is found no more."""
    slab = show_job(busy_log, "Bench")["slabs"][0]
    delete_record(busy_log, "survey", slab["surveys"][1]["uid"])
    assert ["after demold"] == search_log(busy_log, Question(job="bench"))["stage"].tolist()
    assert "after demold" == list_jobs(busy_log).set_index("job").loc["Bench", "last_stage"]
    delete_record(busy_log, "slab", slab["uid"])
    assert 0 == len(search_log(busy_log, Question(job="bench")))
    assert 0 == list_jobs(busy_log).set_index("job").loc["Bench", "n_slabs"]


def test_corrected_words_are_found(busy_log):
    """The search reads what stands now."""
    uid = list_jobs(busy_log).set_index("job").loc["Shelf", "uid"]
    correct_record(busy_log, "job", uid, {"site": "harbour"})
    assert ["Shelf"] == search_log(busy_log, Question(job="harbour"))["job"].tolist()


def test_wrong_month(busy_log):
    """A month that is none is told how to be written."""
    with pytest.raises(LogError, match="Write the month as year-month"):
        search_log(busy_log, Question(month="november"))


def test_shown_job_is_plain(busy_log):
    """A job as shown is JSON."""
    import json

    job = show_job(busy_log, "Bench")
    assert job == json.loads(json.dumps(job))


@pytest.fixture
def three(log, make_inspection):
    """Three surveys of one slab, written in another order than they were taken, and one of another slab."""
    uids = {}
    for seed, (stage, day) in enumerate(
        [("after filling", 3), ("after demold", 1), ("before sealing", 5)]
    ):
        place = SurveyPlace("Bench", "A", stage, taken_at=datetime(2026, 11, day, 9, tzinfo=UTC))
        uids[stage] = save_inspection(log, make_inspection(seed), place)
    uids["other"] = save_inspection(
        log, make_inspection(9), SurveyPlace("Bench", "B", "after demold")
    )
    return uids


def test_survey_is_found_by_what_people_call_it(log, three):
    """job/slab/stage in any case, job/slab for the latest, or the beginning of its number."""
    assert three["after demold"] == find_inspection(log, "bench/a/AFTER demold")
    assert three["before sealing"] == find_inspection(log, "Bench/A")
    assert three["before sealing"] == find_inspection(log, "Bench/before sealing")
    assert three["after filling"] == find_inspection(log, three["after filling"][:10])


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ("Bench/after demold", "Several slabs"),
        ("Bench/A/after honing", "no survey"),
        ("", "no survey"),
        ("a1", "no survey"),
    ],
)
def test_unclear_survey_is_one_sentence(log, three, words, complaint):
    """What is not there, and what two slabs have, is told apart."""
    with pytest.raises(LogError, match=complaint):
        find_inspection(log, words)


def test_series_is_in_order_of_time(log, three, make_inspection):
    """Up to and with the survey asked for; a survey that was inspected again counts by its latest."""
    assert [three[s] for s in ("after demold", "after filling", "before sealing")] == list_series(
        log, three["before sealing"]
    )
    assert [three["after demold"]] == list_series(log, three["after demold"])
    assert [three["other"]] == list_series(log, three["other"])


def test_jobs_are_found_by_words(log, three):
    """Names and notes are looked through; a job that was put away is looked for apart."""
    [uid] = list_jobs(log)["uid"]
    add_note(log, "Bench", "client rang about the edge")
    assert [uid] == search_jobs(log, "THE EDGE")
    assert [] == search_jobs(log, "sink")
    assert has_job(log, "Bench")
    delete_record(log, "job", uid)
    assert not has_job(log, "Bench")
    assert [] == search_jobs(log, "edge")
    assert [uid] == search_jobs(log, "edge", is_deleted=True)
