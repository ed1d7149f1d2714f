"""Work shared out among threads."""

import threading

import numpy as np
import pytest

from rakelight.core.threads import Room, share_out, solve_terms


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
        share_out(lambda k: 1 // k, [1, 0, 2], threads=2)
    assert ["1", "2"] == share_out(str, [1, 2], threads=2)


def test_work_inside_of_work_is_done_on_the_spot():
    """Parts that share out parts of their own come to an end, with all answers."""
    inner = share_out(
        lambda k: share_out(lambda j: 10 * k + j, range(3), threads=2), range(4), threads=2
    )
    assert [[0, 1, 2], [10, 11, 12], [20, 21, 22], [30, 31, 32]] == inner


def test_room_is_used_again():
    """A smaller array asked for under the same name lies in the same memory; another name has its own."""
    room = Room()
    first = room.take("a", (4, 5))
    assert (2, 3) == room.take("a", (2, 3)).shape
    assert np.shares_memory(first, room.take("a", (2, 3)))
    assert not np.shares_memory(first, room.take("b", (4, 5)))
    assert np.uint8 == room.take("a", (4,), np.uint8).dtype


def test_terms_are_solved_as_by_the_library():
    """Weights of a quadratic surface agree with numpy's least squares to eight digits (second implementation)."""
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-1, 1, (2, 500))
    terms = np.stack([np.ones(500), x, y, x * x, x * y, y * y], axis=1)
    values = terms @ [1.0, -2.0, 0.5, 0.3, 0.1, -0.7] + rng.normal(0, 0.1, 500)
    plain = np.linalg.lstsq(terms, values, rcond=None)[0]
    np.testing.assert_allclose(solve_terms(terms, values), plain, rtol=1e-8)
