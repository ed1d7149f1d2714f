"""Work shared out among threads."""

import threading

import pytest

from rakelight.core.threads import share_out


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_answers_come_in_the_order_of_the_parts(threads):
    """Every part is worked on once, answers in order, whatever the number of threads."""
    assert [k * k for k in range(50)] == share_out(lambda k: k * k, range(50), threads=threads)
    assert [] == share_out(str, [], threads=threads)


def test_threads_stay_for_the_next_step():
    """A second call meets no other threads than the first could have opened."""
    names = {
        share_out(lambda _: threading.current_thread().name, range(8), threads=2)[k]
        for k in range(8)
    }
    again = set(share_out(lambda _: threading.current_thread().name, range(8), threads=2))
    assert len(names | again) <= 2


def test_trouble_in_a_part_reaches_the_caller():
    """An error in one part is raised where the work was shared out, and later work goes on."""
    with pytest.raises(ZeroDivisionError):
        share_out(lambda k: 1 // k, [1, 0, 2])
    assert ["1", "2"] == share_out(str, [1, 2])
