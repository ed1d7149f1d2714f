"""The order of work: which steps, when, and the calendar file."""

import datetime
import itertools

import pytest

from rakelight.core.errors import SettingsError
from rakelight.core.settings import RepairSettings
from rakelight.repair.calendar import write_calendar
from rakelight.repair.steps import list_steps, schedule_work

DEMOLDED = datetime.datetime(2026, 3, 2, 10, 30)
COUNTS = {"repair_by_eye": 1, "fill_two_lifts": 4, "fill": 30}


def steps(counts=COUNTS, *, coated_m2=0.0, **settings):
    """Steps for a face of 2 m2."""
    return list_steps(
        counts, {"fill": ["A1", "B2"]}, coated_m2=coated_m2, face_m2=2.0,
        settings=RepairSettings(**settings),
    )  # fmt: skip


def test_the_trade_order():
    """Test patch, big holes, hone, coat or fill, cut back, look, refill, final grit, checklist."""
    keys = [step["key"] for step in steps(coated_m2=1.0)]
    assert keys == [
        "test_patch", "repairs", "first_lift", "second_lift", "hone", "coat", "fill",
        "cut_back", "look", "refill", "final_grit", "checklist",
    ]  # fmt: skip


def test_only_steps_that_are_needed():
    """A face with nothing to fill has no filling steps, but still looks again and checks."""
    assert [s["key"] for s in steps({})] == [
        "test_patch",
        "hone",
        "look",
        "final_grit",
        "checklist",
    ]


def test_sealing_is_never_declared_ready():
    """The last step is a checklist that leaves the decision to the sealer's sheet and a test."""
    last = steps()[-1]
    assert "No photo can say that a slab is ready to seal" in last["text"]
    words = " ".join(step["text"] + step["done_when"] for step in steps()).lower()
    assert "ready to seal" not in words.replace(last["text"].lower(), "")


def test_steps_follow_each_other_with_their_waits():
    """Each step begins no earlier than the step before ended plus its wait, in working hours."""
    done = schedule_work(steps(), DEMOLDED)
    for before, after in itertools.pairwise(done):
        ready = datetime.datetime.fromisoformat(before["ends"]) + datetime.timedelta(
            minutes=before["wait_min"]
        )
        begins = datetime.datetime.fromisoformat(after["at"])
        assert begins >= ready.replace(second=0, microsecond=0)
        assert 8 <= begins.hour < 17
    assert done[0]["at"] == "2026-03-02T10:30"


def test_work_does_not_run_into_the_night():
    """Ten hours of filling started at 16:00 end after two working days, not at 02:00."""
    counts = {"fill": 1200}
    fill_only = [s for s in steps(counts) if s["key"] == "fill"]
    assert fill_only[0]["minutes"] == 300.0
    done = schedule_work(fill_only, datetime.datetime(2026, 3, 2, 16, 0))
    assert done[0]["ends"] == "2026-03-03T12:00"


def test_a_date_alone_starts_in_the_morning():
    """A date without a time starts with the working day."""
    assert schedule_work(steps(), DEMOLDED.date())[0]["at"] == "2026-03-02T08:00"


def test_cold_shop_waits_longer_for_filler_only():
    """At 10 C the filler's set takes 1.8 times as long, the drying waits stay."""
    warm, cold = ({s["key"]: s for s in steps(air_celsius=c)} for c in (21.0, 10.0))
    assert cold["fill"]["wait_min"] == pytest.approx(1.83 * warm["fill"]["wait_min"], rel=0.01)
    assert cold["hone"]["wait_min"] == warm["hone"]["wait_min"]
    assert "not a promise" in cold["fill"]["wait_reason"]


def test_wrong_working_hours():
    """Hours that end before they begin are one sentence."""
    with pytest.raises(SettingsError, match="Working hours"):
        schedule_work(steps(), DEMOLDED, workday_hours=(17.0, 8.0))


def test_calendar_holds_every_step_once():
    """The calendar has one event per step, local times, folded lines, and repeats itself."""
    order = schedule_work(steps(), DEMOLDED)
    text = write_calendar(order, title="bench top, ünit 3")
    assert text.startswith("BEGIN:VCALENDAR\r\nVERSION:2.0\r\n") and text.endswith(
        "END:VCALENDAR\r\n"
    )
    assert text.count("BEGIN:VEVENT") == text.count("END:VEVENT") == len(order)
    assert "DTSTART:20260302T103000\r\n" in text
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75
    unfolded = text.replace("\r\n ", "")
    assert "SUMMARY:1. Test patch first (bench top\\, ünit 3)" in unfolded
    assert text == write_calendar(order, title="bench top, ünit 3")
    uids = [line for line in unfolded.split("\r\n") if line.startswith("UID:")]
    assert len(set(uids)) == len(order)


def test_calendar_needs_times():
    """Without the date of demolding there is no calendar, in one sentence."""
    with pytest.raises(SettingsError, match="demolding"):
        write_calendar(steps(), title="bench top")
