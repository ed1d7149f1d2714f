"""Fields that a pour line cuts: drawn as parts beside each other, never on each other."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rakelight.report import fields, figures


def split_field(bench, zones):
    """The bench with its second field given twice, once per zone, as the planner does."""
    table = bench.plan.fields
    parts = pd.concat([table.iloc[[1]]] * 2, ignore_index=True)
    parts["field"], parts["zone"] = ["A2-A", "A2-B"], ["A", "B"]
    table = pd.concat([table.iloc[:1], parts, table.iloc[2:]], ignore_index=True)
    return replace(bench, zones=zones, plan=replace(bench.plan, fields=table))


def test_parts_are_cut_to_their_zones(bench):
    """A pour line at 400 mm cuts the field of 300 to 600 mm into 100 and 200 mm."""
    zones = (
        {"name": "A", "kind": "pour", "x_mm": 0.0, "y_mm": 0.0, "width_mm": 400.0, "height_mm": 700.0},
        {"name": "B", "kind": "pour", "outline_mm": [(400, 0), (1200, 0), (1200, 700), (400, 700)]},
    )  # fmt: skip
    placed = fields.place_fields(split_field(bench, zones)).iloc[1:3]
    assert [[300.0, 100.0], [400.0, 200.0]] == placed[["x_mm", "width_mm"]].to_numpy().tolist()
    assert [300.0, 300.0] == list(placed["height_mm"])


def test_parts_of_unknown_zones_share_the_field(bench):
    """Without the zones' outlines the parts stand side by side in equal shares."""
    placed = fields.place_fields(split_field(bench, ())).iloc[1:3]
    assert [[300.0, 150.0], [450.0, 150.0]] == placed[["x_mm", "width_mm"]].to_numpy().tolist()


def test_whole_fields_stay_as_they_are(bench):
    """Nothing is moved when no field is divided, and the record is not changed."""
    before = bench.plan.fields.copy()
    pd.testing.assert_frame_equal(before, fields.place_fields(bench))
    pd.testing.assert_frame_equal(before, bench.plan.fields)


@pytest.mark.parametrize("zones", [(), ({"name": "A"}, {"name": "B"})])
def test_divided_fields_are_drawn(bench, zones):
    """Pictures take divided fields."""
    picture = figures.draw_heat(split_field(bench, zones))
    assert picture.dtype == np.uint8
