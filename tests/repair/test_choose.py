"""The least-cost choice: brute force on small cases, every window kept, never dearer than the rest."""

import dataclasses
import itertools

import numpy as np
import pytest

from rakelight.core.settings import GradeSettings, RepairSettings
from rakelight.grade.agreed import parse_agreed
from rakelight.grade.regions import list_regions, weigh_windows
from rakelight.grade.windows import sum_seen
from rakelight.repair.choose import coat_everything, fill_everything, find_least_cost
from rakelight.repair.limits import columns_of, left_by_option, require_single_limits, watch_limits
from rakelight.repair.options import read_plan_pits
from rakelight.repair.problem import COATED, build_problem

COARSE = GradeSettings(window_step_mm=20.0)


def pose(pits, face, terms, *, zones=(), locked=None, **settings):
    """Problem, watched limits and regions of a face with agreed terms."""
    settings = RepairSettings(solver_gap=0.0, **settings)
    seen = sum_seen(face, settings=COARSE)
    plan_pits = read_plan_pits(pits)
    problem = build_problem(plan_pits, seen, zones=zones, settings=settings, locked=locked)
    regions = list_regions(parse_agreed(terms), plan_pits.arrays, seen)
    regions = tuple(
        dataclasses.replace(r, measured=dataclasses.replace(r.measured, settings=COARSE, placed={}))
        for r in regions
    )
    problem, _ = require_single_limits(problem, regions)
    return problem, watch_limits(regions, margin=settings.plan_margin_share), regions


def every_choice(problem):
    """All choices there are: each set of coated zones, each option elsewhere."""
    zones = range(len(problem.zones))
    for coated in itertools.chain.from_iterable(
        itertools.combinations(zones, size) for size in range(len(problem.zones) + 1)
    ):
        if any(not problem.may_coat[zone] for zone in coated):
            continue
        ranges = [
            [COATED] if zone in coated else range(len(options))
            for zone, options in zip(problem.zone_of, problem.options, strict=True)
        ]
        yield from (np.array(choice) for choice in itertools.product(*ranges))


def least_by_brute_force(problem, watches):
    """Least cost over all choices that keep every window at every position."""
    left, first = left_by_option(problem)
    tables = []
    for watch in watches:
        positions, _ = watch.region.measured.fitting_positions(watch.limit.window_mm)
        at = [tuple(one) for one in np.argwhere(positions.is_used)]
        weights = np.zeros((len(at), len(problem.pits.pit_id)))
        weights[:, watch.region.rows] = weigh_windows(watch.region, watch.limit, positions, at)
        tables.append((weights @ left.toarray(), watch.aim))
    best = np.inf
    for choice in every_choice(problem):
        cost = problem.cost(choice)
        if cost >= best:
            continue
        columns = columns_of(choice, first)
        if all(table[:, columns].sum(axis=1).max() <= aim + 1e-9 for table, aim in tables):
            best = cost
    return best


def small_slab(make_pits, seed, n=26):
    """A few pits on a 600 x 600 mm face, thicker in one corner."""
    rng = np.random.default_rng(seed)
    x = np.r_[rng.uniform(5, 595, n // 2), rng.uniform(5, 300, n - n // 2)]
    y = np.r_[rng.uniform(5, 595, n // 2), rng.uniform(5, 300, n - n // 2)]
    return make_pits(x, y, np.clip(rng.lognormal(1.3, 0.5, n), 1, 14))


@pytest.mark.parametrize(
    ("seed", "terms"),
    [
        (0, "area_percent = 0.10"),
        (1, "area_percent = 0.15"),
        (2, "per_ft2 = 3"),
        (3, "per_ft2 = 6\nlargest_mm = 5"),
    ],
)
def test_exact_search_equals_brute_force(make_face, make_pits, seed, terms):
    """Four fields in two pour zones: the exact search finds the least cost of all choices."""
    zones = [{"name": "B", "kind": "pour", "x_mm": 0, "y_mm": 0, "width_mm": 300, "height_mm": 600}]
    problem, watches, _ = pose(
        small_slab(make_pits, seed), make_face(600, 600), f"smallest_mm = 2\n{terms}",
        zones=zones, coat_setup_min=2.0, tone_penalty_min_per_m2=2.0, coat_min_per_m2=15.0,
    )  # fmt: skip
    expected = least_by_brute_force(problem, watches)
    found = find_least_cost(problem, watches)
    assert expected == pytest.approx(found.cost, rel=1e-6)
    assert found.is_met and found.gap == pytest.approx(0.0, abs=1e-6)
    quick = find_least_cost(problem, watches, seconds=0)
    assert expected <= quick.cost + 1e-9


@pytest.fixture(scope="module")
def large(make_face, make_pits):
    """A 1600 x 900 mm top with a thick area, with its least-cost plan."""
    rng = np.random.default_rng(21)
    x = np.r_[rng.uniform(5, 1595, 60), np.clip(rng.normal(500, 120, 160), 5, 1595)]
    y = np.r_[rng.uniform(5, 895, 60), np.clip(rng.normal(450, 120, 160), 5, 895)]
    pits = make_pits(x, y, np.clip(rng.lognormal(1.2, 0.5, 220), 1, 14))
    problem, watches, regions = pose(
        pits, make_face(1600, 900, mm_per_px=2.0), "smallest_mm = 2\narea_percent = 0.25"
    )
    return problem, watches, regions, find_least_cost(problem, watches)


def test_every_window_holds_when_fills_are_simulated(large):
    """Pits closed at random at the stated rate keep the agreed limit in every window."""
    problem, watches, _, found = large
    rng = np.random.default_rng(5)
    expected_open = problem.left_open(found.choice)
    for _ in range(20):
        left = (rng.random(len(expected_open)) < expected_open).astype(float)
        assert watches[0].worst(left) <= watches[0].limit.limit


def test_plan_costs_no_more_than_the_plain_ways(large):
    """Least cost is at or below fill all, coat all and the quick search."""
    problem, watches, _, found = large
    assert watches[0].worst(np.ones(len(problem.pits.pit_id))) > watches[0].limit.limit
    plain = (fill_everything(problem), coat_everything(problem))
    costs = [problem.cost(choice) for choice in plain]
    costs.append(find_least_cost(problem, watches, seconds=0).cost)
    assert found.cost <= min(costs) + 1e-9
    assert found.cost < min(costs[:2])


def test_bound_is_below_and_gap_is_honest(large):
    """The bound lies at or below the cost, and the gap is their distance."""
    _, _, _, found = large
    assert 0 < found.bound <= found.cost + 1e-9
    assert found.gap == pytest.approx((found.cost - found.bound) / found.cost, abs=1e-6)


def test_an_impossible_limit_is_said(make_face, make_pits):
    """Zero pits per square foot cannot be had when one in a hundred fills stays open."""
    problem, watches, _ = pose(
        small_slab(make_pits, 4), make_face(600, 600), "smallest_mm = 2\nper_ft2 = 0"
    )
    found = find_least_cost(problem, watches)
    assert not found.is_met and found.how == "nearest miss"


def test_nothing_to_do_when_the_limit_holds(make_face, make_pits):
    """A face already within the limit is left as it is, at no cost."""
    problem, watches, _ = pose(
        small_slab(make_pits, 6, n=6), make_face(600, 600), "smallest_mm = 2\narea_percent = 1"
    )
    found = find_least_cost(problem, watches)
    assert (found.cost, found.n_windows) == (0.0, 0)


def test_single_limits_take_options_away(make_face, make_pits):
    """A pit over the agreed largest size is closed even where the windows would allow it."""
    problem, watches, _ = pose(
        make_pits([100, 400], [100, 400], [9.0, 3.0]), make_face(600, 600),
        "smallest_mm = 2\nlargest_mm = 6",
    )  # fmt: skip
    left = problem.left_open(find_least_cost(problem, watches).choice)
    assert left[0] < 0.1 and left[1] == 1.0
