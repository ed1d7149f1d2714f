"""Pitting areas, streaks and honeycomb on pictures, in files and in words."""

from dataclasses import replace

import numpy as np
import pytest

from rakelight.report import exports, figures
from rakelight.report.crowds import list_crowds, say_crowds
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
