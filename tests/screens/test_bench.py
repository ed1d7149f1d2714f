"""Errands: at most two at a time, stopped at once, and never lost in silence."""

import subprocess
import sys
import time

import pytest

from rakelight.screens import bench, desk, drafts

PATIENCE_S = 60


@pytest.fixture
def slow(monkeypatch):
    """Errands that only sleep, and the list of their processes."""
    begun = []

    def begin(what, uid):
        desk.write_progress(what, uid, desk.Progress("working", "sleeping", 0.5))
        begun.append(subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"]))
        return begun[-1]

    monkeypatch.setattr(bench, "_begin", begin)
    yield begun
    for process in begun:
        process.kill()
        process.wait()


def wait_until(is_so):
    """Wait until something is so."""
    end = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < end
        time.sleep(0.02)


def state_of(uid):
    """Return the state of a draft's check."""
    return desk.read_progress("check", uid).state


def test_two_at_a_time_and_the_third_waits_its_turn(home, slow):
    """The third begins when one of the first two has been stopped."""
    drafts_made = [drafts.make_draft().uid for _ in range(3)]
    errands = bench.Bench()
    for uid in drafts_made:
        errands.start("check", uid)
        time.sleep(0.05)
    wait_until(lambda: 2 == len(slow))
    assert "waiting" == state_of(drafts_made[2])
    errands.stop("check", drafts_made[0])
    wait_until(lambda: 3 == len(slow))
    assert "stopped" == state_of(drafts_made[0])
    assert errands.is_busy("check", drafts_made[2])
    for uid in drafts_made[1:]:
        errands.stop("check", uid)


def test_stop_ends_the_process_at_once(home, slow):
    """A stopped errand leaves no process behind, and its page says so."""
    uid, errands = drafts.make_draft().uid, bench.Bench()
    errands.start("check", uid)
    wait_until(lambda: slow)
    errands.stop("check", uid)
    assert slow[0].poll() is not None
    assert "Stopped" in errands.look_up("check", uid).sentence


def test_a_process_that_dies_is_told(home, slow):
    """Killed from outside, as when memory runs out, an errand ends as failed with a sentence."""
    uid, errands = drafts.make_draft().uid, bench.Bench()
    errands.start("check", uid)
    wait_until(lambda: slow)
    slow[0].kill()
    wait_until(lambda: "failed" == state_of(uid))
    assert "memory" in desk.read_progress("check", uid).sentence


def test_a_restart_of_the_program_is_told(home):
    """What another run of the program had begun is told as stopped, not as for ever under way."""
    uid = drafts.make_draft().uid
    desk.write_progress("check", uid, desk.Progress("working", "half way", 0.5))
    assert "stopped" == bench.Bench().look_up("check", uid).state


def test_a_second_press_starts_nothing_more(home, slow):
    """Pressing twice begins one errand."""
    uid, errands = drafts.make_draft().uid, bench.Bench()
    errands.start("check", uid)
    errands.start("check", uid)
    wait_until(lambda: slow)
    time.sleep(0.2)
    assert 1 == len(slow)
    errands.stop("check", uid)


def test_an_errand_runs_in_its_own_process(home):
    """The real thing: a draft without a photo ends as failed with what to do."""
    uid, errands = drafts.make_draft().uid, bench.Bench()
    errands.start("check", uid)
    wait_until(lambda: not errands.is_busy("check", uid))
    assert "Choose a raking-light photo first." == desk.read_progress("check", uid).sentence


def test_stopped_and_begun_again_the_new_one_goes_on(home, slow):
    """What was stopped for a newer decision is not mistaken for the errand that follows it."""
    uid, errands = drafts.make_draft().uid, bench.Bench()
    for n_begun in (1, 2, 3):
        errands.start("check", uid)
        wait_until(lambda n=n_begun: n == len(slow))
        if n_begun < 3:
            errands.stop("check", uid)
    time.sleep(0.3)
    assert errands.is_busy("check", uid)
    assert "working" == state_of(uid)
    assert [False, False, True] == [process.poll() is None for process in slow]
    errands.stop("check", uid)
