"""One-to-one matching of places."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from rakelight.compare.match import Places, match_places, pair_cost
from rakelight.core.records import PIT_COLUMNS, make_table
from rakelight.core.settings import CompareSettings

KNOBS = CompareSettings()


def make_places(xy_mm, diameter_mm=None, stretch=None):
    """Return places at (n, 2) points, 3 mm wide and round unless given."""
    xy_mm = np.asarray(xy_mm, float).reshape(-1, 2)
    ones = np.ones(len(xy_mm))
    return Places(
        xy_mm[:, 0],
        xy_mm[:, 1],
        ones * 3 if diameter_mm is None else np.asarray(diameter_mm, float),
        ones if stretch is None else np.asarray(stretch, float),
    )


def match_plainly(before, after):
    """Return the pairs of least cost over the full table of all pairs, with dummies for nobody."""
    gate = KNOBS.gate_sd**2 / 2
    n, m = len(before), len(after)
    row, col = np.indices((n, m)).reshape(2, -1)
    offset_mm = np.hypot(*(before.xy_mm[row] - after.xy_mm[col]).T)
    cost = pair_cost(before.take(row), after.take(col), offset_mm, np.zeros(n * m), KNOBS)
    table = np.full((n + m, n + m), 1e9)
    table[:n, :m] = np.where(cost < gate, cost, 1e9).reshape(n, m)
    table[np.arange(n), m + np.arange(n)] = gate / 2
    table[n + np.arange(m), np.arange(m)] = gate / 2
    table[n:, m:] = 0
    rows, cols = linear_sum_assignment(table)
    keep = (rows < n) & (cols < m)
    return set(zip(rows[keep].tolist(), cols[keep].tolist(), strict=True)), float(
        table[rows, cols].sum()
    )


def total_cost(match, n, m):
    """Return what a match costs when each place left alone costs half a gate."""
    gate = KNOBS.gate_sd**2 / 2
    return float(match.cost.sum() + gate / 2 * (n + m - 2 * len(match.cost)))


@pytest.mark.parametrize("seed", range(8))
def test_same_as_the_full_assignment(seed):
    """Clusters solved one by one cost the same as all places in one table."""
    rng = np.random.default_rng(seed)
    before = make_places(rng.uniform(0, 25, (40, 2)), rng.uniform(1, 5, 40), rng.uniform(1, 2, 40))
    after = make_places(rng.uniform(0, 25, (35, 2)), rng.uniform(1, 5, 35), rng.uniform(1, 2, 35))
    pairs, cost = match_plainly(before, after)
    match = match_places(before, after)
    assert cost == pytest.approx(total_cost(match, 40, 35), abs=1e-9)  # rounding of sums
    assert pairs == set(zip(match.before.tolist(), match.after.tolist(), strict=True))


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**31), st.integers(0, 12), st.integers(0, 12))
def test_never_dearer_than_any_other_and_one_to_one(seed, n, m):
    """Whatever the crowd, no place is used twice and no assignment costs less."""
    rng = np.random.default_rng(seed)
    before, after = make_places(rng.uniform(0, 4, (n, 2))), make_places(rng.uniform(0, 4, (m, 2)))
    match = match_places(before, after)
    assert len(set(match.before.tolist())) == len(match.before)
    assert len(set(match.after.tolist())) == len(match.after)
    assert match_plainly(before, after)[1] == pytest.approx(total_cost(match, n, m), abs=1e-9)
    assert np.all((match.chance > 0) & (match.chance <= 1))


def test_no_greedy_mix_up_in_a_row():
    """Three pits in a row, all moved by a little more than half their step, keep their neighbours."""
    before = make_places([(0, 0), (2, 0), (4, 0)])
    after = make_places([(1.1, 0), (3.1, 0), (5.1, 0)])
    match = match_places(before, after)
    assert [0, 1, 2] == match.after.tolist()


def test_size_decides_between_two_neighbours():
    """Where two places are equally far, the one of the same size is taken."""
    match = match_places(make_places([(0, 0)], [3]), make_places([(-0.5, 0), (0.5, 0)], [1.2, 3.1]))
    assert [1] == match.after.tolist()


def test_shape_decides_between_two_neighbours():
    """Where place and size agree, the one of the same shape is taken."""
    after = make_places([(-0.5, 0), (0.5, 0)], [3, 3], [1.0, 2.2])
    match = match_places(make_places([(0, 0)], [3], [2.1]), after)
    assert [1] == match.after.tolist()


def test_chance_is_half_between_equal_rivals():
    """Of two equally good partners each has just under one chance in two."""
    match = match_places(make_places([(0, 0)]), make_places([(-0.5, 0), (0.5, 0)]))
    assert 0.5 == pytest.approx(match.chance[0], abs=0.01)  # the rest is "neither of them"


def test_beyond_the_gate_nobody_is_paired():
    """Six times the placing error away is another pit."""
    assert 0 == len(match_places(make_places([(0, 0)]), make_places([(4, 0)])).before)


def test_predict_moves_the_gate():
    """A plan that slid by 50 mm is matched when the caller says so, and not otherwise."""
    before = make_places([(10, 10), (60, 10), (30, 40)])
    after = make_places(before.xy_mm + np.array([50, 0]))
    slid = match_places(before, after, predict=lambda x_mm, y_mm: (x_mm + 50, y_mm))
    assert [0, 1, 2] == slid.after.tolist()
    # Without it, only the pit that happens to lie where another one slid to finds a partner.
    left = match_places(before, after)
    assert ([1], [0]) == (left.before.tolist(), left.after.tolist())


def test_wider_uncertainty_widens_the_gate():
    """A place known only to 3 mm finds its partner 5 mm away."""
    before, after = make_places([(0, 0)]), make_places([(5, 0)])
    assert 1 == len(match_places(before, after, sd_mm=3.0).before)


@pytest.mark.parametrize("sizes", [(0, 0), (0, 3), (3, 0)])
def test_empty_gives_no_pairs(sizes):
    """Nothing on one side is an empty match, not an error."""
    rng = np.random.default_rng(1)
    before, after = (make_places(rng.uniform(0, 9, (n, 2))) for n in sizes)
    match = match_places(before, after)
    assert (0, 0) == (len(match.before), len(match.cost))


def test_places_of_an_empty_table():
    """An empty pit table gives empty places."""
    assert 0 == len(Places.from_table(make_table(PIT_COLUMNS)))


def test_links_like_trackpy():
    """Slowly drifting points are linked as trackpy links them, in every one of five steps."""
    trackpy = pytest.importorskip("trackpy", reason="trackpy is a second implementation")
    rng = np.random.default_rng(4)
    # Half the gate apart at least, so that both have one right answer.
    grid = np.stack(np.meshgrid(np.arange(12), np.arange(8)), -1).reshape(-1, 2) * 5.0
    steps = [grid + rng.normal(0, 0.15, grid.shape)]
    for _ in range(5):
        steps.append(steps[-1] + rng.normal(0, 0.25, grid.shape))
    steps = [step[rng.permutation(len(step))[:90]] for step in steps]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        trackpy.quiet()
        linked = dict(trackpy.link_iter(steps, search_range=2.2, memory=0))
    for number in range(5):
        here, there = np.asarray(linked[number]), np.asarray(linked[number + 1])
        theirs = {
            (i, int(np.flatnonzero(there == name)[0]))
            for i, name in enumerate(here)
            if name in there
        }
        ours = match_places(make_places(steps[number]), make_places(steps[number + 1]))
        assert theirs == set(zip(ours.before.tolist(), ours.after.tolist(), strict=True))
