"""Pitting areas, streaks and honeycomb on pictures, in files and in words."""

from dataclasses import replace

import numpy as np
import pytest

from rakelight.core.settings import ReportSettings
from rakelight.report import exports, figures
from rakelight.report.crowds import list_crowds, say_crowds, write_names
from rakelight.report.frame import lay_out
from rakelight.report.words import load_words

PITTING = {
    "name": "pitting 1", "kind": "pitting", "outline_mm": [[60, 60], [200, 60], [200, 160], [60, 160]], "n_pits": 14,
    "area_mm2": 14_000.0, "chance": 0.01, "times_rest": 5.0,
}  # fmt: skip
PATCH = PITTING | {"name": "honeycomb 1", "kind": "honeycomb", "n_pits": 40}


def test_a_zone_is_outlined_on_map_and_heat_map(bench):
    """The map and the heat map differ from those without the zone, along its edge and not all over."""
    crowded = replace(bench, zones=(*bench.zones, PITTING))
    for draw in (figures.draw_map, figures.draw_heat):
        changed = np.any(draw(bench) != draw(crowded), axis=2)
        assert 0.0002 < changed.mean() < 0.05


def test_summary_and_shapes_hold_the_zone(bench):
    """summary.json has its facts without the outline, zones.geojson its polygon and its name."""
    crowded = replace(
        bench, zones=(*bench.zones, PITTING), scatter={"verdict": "crowded", "chance": 0.01}
    )
    summary = exports.summarise(crowded)
    assert [14] == [zone["n_pits"] for zone in summary["zones"]]
    assert "outline_mm" not in summary["zones"][0]
    assert "crowded" == summary["scatter"]["verdict"]
    shapes = exports.collect_shapes(crowded)["features"]
    named = [one for one in shapes if one["properties"].get("name") == "pitting 1"]
    assert [200.0, 160.0] in named[0]["geometry"]["coordinates"][0]


@pytest.mark.parametrize("language", ["en", "de", "es"])
def test_one_sentence_says_how_the_pits_lie(bench, language):
    """Zones by name and count, the tested verdict without zones, nothing when too few."""
    words = load_words(language)
    found = say_crowds(replace(bench, zones=(PITTING, PATCH)), words)
    assert "14" in found and "40" in found and "1" in found
    verdicts = [
        say_crowds(replace(bench, zones=(), scatter={"verdict": name}), words)
        for name in ("crowded", "by_chance", "even")
    ]
    assert 3 == len(set(verdicts))
    assert "" == say_crowds(replace(bench, zones=(), scatter={"verdict": "too_few"}), words)
    assert "" == say_crowds(replace(bench, zones=(), scatter={}), words)


def test_pour_zones_are_no_crowds(bench):
    """Zones that were given are not listed among those found."""
    assert [] == list_crowds(replace(bench, zones=({**PITTING, "kind": "pour"},)))


def test_names_of_zones_keep_off_rings_and_each_other(bench):
    """On the map no name of a zone lies over a pit's ring or over another name, though pits stand all around."""
    beside = PITTING | {"name": "pitting 2", "outline_mm": [[210, 60], [340, 60], [340, 160], [210, 160]]}
    crowded = replace(bench, zones=(PITTING, beside, PATCH))
    sheet = lay_out(crowded, ReportSettings(), legend_lines=2)
    rng = np.random.default_rng(4)
    x, y = sheet.to_px(rng.uniform(0, 400, 150), rng.uniform(0, 250, 150))
    rings = np.c_[x, y, np.full(150, 0.4 * sheet.unit)]
    names = write_names(sheet, crowded, rings)
    gaps = np.hypot(*(names[:, None, :2] - rings[None, :, :2]).transpose(2, 0, 1))
    assert (gaps > names[:, 2:] / 2 + rings[:, 2]).all()  # the circles over a name reach beyond its letters
    assert 3 == len(set(names[:, 1]))


def test_leader_leads_from_a_far_name_to_its_zone(bench):
    """Where rings leave room only farther away, the name stands there and a line leads to the zone."""
    sheet = lay_out(replace(bench, zones=(PITTING,)), ReportSettings(), legend_lines=2)
    x_mm, y_mm = np.meshgrid(np.arange(30, 240, 6.0), np.arange(35, 190, 6.0))
    x, y = sheet.to_px(x_mm.ravel(), y_mm.ravel())
    rings = np.c_[x, y, np.full(x.size, 0.5 * sheet.unit)]
    before = sheet.rgb.copy()
    names = write_names(sheet, replace(bench, zones=(PITTING,)), rings)
    gaps = np.hypot(*(names[:, None, :2] - rings[None, :, :2]).transpose(2, 0, 1))
    assert (gaps > names[:, 2:] / 2 + rings[:, 2]).all()
    assert np.any(sheet.rgb != before)


@pytest.mark.parametrize("language", ["en", "de", "es"])
def test_near_the_limit_is_told_in_words_and_on_the_map(bench, language):
    """A zone near the limit says so, near misses are counted, a close verdict is called one; sure ones are silent."""
    words = load_words(language)
    sure = replace(bench, zones=(PITTING,), scatter={"verdict": "crowded"})
    near = replace(bench, zones=(PITTING | {"is_near_limit": True},), scatter={"verdict": "crowded"})
    assert len(say_crowds(near, words)) > len(say_crowds(sure, words))
    lone = {"verdict": "by_chance", "is_near_limit": False, "n_near_zones": 0}
    told = [
        say_crowds(replace(bench, zones=(), scatter=lone | more), words)
        for more in ({}, {"n_near_zones": 1}, {"n_near_zones": 3}, {"is_near_limit": True})
    ]
    assert 4 == len(set(told))
    assert all(one.startswith(told[0]) for one in told)
    assert "3" in told[2]
    assert not np.array_equal(figures.draw_map(sure), figures.draw_map(near))
