"""Areas and actions: every pit on exactly one sheet, the plan's word before our own."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rakelight.core import records
from rakelight.report import worklist


@pytest.mark.parametrize(
    ("size_mm", "expected"),
    [
        # Worked by hand: a rest below a third of 600 mm joins its neighbour.
        ((1200, 600), [(0, 0, 600, 600), (600, 0, 600, 600)]),
        ((1200, 700), [(0, 0, 600, 700), (600, 0, 600, 700)]),
        ((600, 900), [(0, 300, 600, 600), (0, 0, 600, 300)]),
        ((500, 60), [(0, 0, 500, 60)]),
    ],
)
def test_areas_start_at_the_front_left(size_mm, expected):
    """The first area lies at the front (the plan's bottom), the last strip is no sliver."""
    areas = worklist.divide_face(size_mm, 600)
    assert expected == [(a.left_mm, a.top_mm, a.width_mm, a.height_mm) for a in areas]


def test_areas_are_walked_to_and_fro():
    """The second row is walked from the right, as the pits are numbered."""
    areas = worklist.divide_face((1800, 1200), 600)
    assert [0, 600, 1200, 1200, 600, 0] == [a.left_mm for a in areas]
    assert [1, 2, 3, 4, 5, 6] == [a.number for a in areas]


def test_every_pit_is_on_exactly_one_sheet(make_inspection):
    """Also pits on the very edge, or a hair outside it."""
    bench = make_inspection(n_pits=200)
    pits = bench.pits.copy()
    pits.loc[:3, "x_mm"] = [0.0, 600.0, 1200.0, -0.4]
    pits.loc[:3, "y_mm"] = [0.0, 350.0, 700.0, 700.3]
    bench = replace(bench, pits=pits)
    areas = worklist.divide_face(bench.face.size_mm, 600)
    rows = np.concatenate([worklist.pick_pits(bench, area) for area in areas])
    assert sorted(pits.index) == sorted(rows)


def test_the_planners_choice_per_pit_wins(bench):
    """A choice in the plan's pit table stands, and a pit kept as character is left."""
    pits = bench.pits.copy()
    pits.loc[pits.index[5], "flags"] = "character"
    chosen = records.make_table(
        records.PIT_ACTION_COLUMNS,
        {"pit_id": pits["pit_id"], "action": np.full(len(pits), "fill")},
    )
    actions = worklist.choose_actions(
        replace(bench, pits=pits, plan=replace(bench.plan, pits=chosen))
    )
    assert (actions.drop(pits.index[5]) == "fill").all()
    assert actions[pits.index[5]] == "leave"


@pytest.mark.parametrize(
    ("field_action", "expected"),
    [
        ("leave", ["leave", "leave", "leave", "repair_by_eye"]),
        ("fill", ["leave", "fill", "fill_two_lifts", "repair_by_eye"]),
        ("slurry_coat", ["slurry_coat", "slurry_coat", "fill_two_lifts", "repair_by_eye"]),
    ],
)
def test_without_a_choice_field_and_size_decide(bench, field_action, expected):
    """One pit of each band (1.5, 3, 9, 18 mm) in a field with an action, as the bands say."""
    pits = bench.pits.iloc[:4].assign(diameter_mm=[1.5, 3.0, 9.0, 18.0], x_mm=10.0, y_mm=690.0)
    fields = bench.plan.fields.assign(action=field_action)
    face = replace(bench, pits=pits, plan=replace(bench.plan, fields=fields))
    assert expected == list(worklist.choose_actions(face))


def test_many_pits_list_those_done_by_hand_only():
    """Up to 60 all are listed; above, those coated or left are not."""
    actions = pd.Series(["fill", "leave", "slurry_coat"] * 21)
    assert list(range(60)) == list(worklist.list_pits(actions, actions.index[:60]))
    assert list(range(0, 63, 3)) == list(worklist.list_pits(actions, actions.index))
