"""Zones files: what of a map is face."""

import json

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.scale.zones import hide_outlines, read_zones

TEXT = """
slab = "400x300"
[[opening]]
name = "sink"
x_mm = 100
y_mm = 50
width_mm = 120
height_mm = 80
[[opening]]
name = "tap"
x_mm = 300
y_mm = 200
diameter_mm = 40
[[zone]]
name = "A"
mix = "grey 1"
outline_mm = [[0, 0], [200, 0], [200, 300], [0, 300]]
[[zone]]
name = "B"
kind = "part"
x_mm = 200
y_mm = 0
width_mm = 200
height_mm = 300
"""


def write(folder, text, name="zones.toml"):
    """Return the path of a written zones file."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_toml_gives_all_shapes(tmp_path):
    """The slab comes first, boxes and circles become outlines, what was noted is kept."""
    zones = read_zones(write(tmp_path, TEXT))
    assert ["slab", "opening", "opening", "pour", "part"] == [zone["kind"] for zone in zones]
    assert [[0, 0], [400, 0], [400, 300], [0, 300]] == zones[0]["outline_mm"]
    assert [[100, 50], [220, 50], [220, 130], [100, 130]] == zones[1]["outline_mm"]
    circle = np.array(zones[2]["outline_mm"])
    np.testing.assert_allclose(np.hypot(*(circle - (300, 200)).T), 20)
    assert "grey 1" == zones[3]["mix"]


def test_geojson_gives_the_same(tmp_path):
    """Roles name slab and openings, rings inside a polygon are openings, fields and pits are passed over."""

    def feature(role, rings, **words):
        return {
            "type": "Feature",
            "properties": {"role": role, **words},
            "geometry": {"type": "Polygon", "coordinates": rings},
        }

    slab = [[0, 0], [400, 0], [400, 300], [0, 300], [0, 0]]
    hole = [[100, 50], [220, 50], [220, 130], [100, 130], [100, 50]]
    text = json.dumps(
        {
            "type": "FeatureCollection",
            "features": [
                feature("zone", [slab], name="A", kind="pour"),
                feature("pit", [hole], pit_id=3),
                feature("slab", [slab, hole]),
            ],
        }
    )
    zones = read_zones(write(tmp_path, text, "zones.geojson"))
    assert ["slab", "pour", "opening"] == [zone["kind"] for zone in zones]
    assert [[100, 50], [220, 50], [220, 130], [100, 130]] == zones[2]["outline_mm"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[zone]]\nx_mm = 1\ny_mm = 1\nwidth_mm = 5\nheight_mm = 5", "needs a name"),
        ('[[zone]]\nname = "A"\nx_mm = 1', "needs x_mm and y_mm"),
        ('[[zone]]\nname = "A"\nx_mm = 1\ny_mm = 1', "width_mm"),
        ('[[opening]]\nname = "s"\nx_mm = 1\ny_mm = 1\ndiameter_mm = -2', "diameter_mm"),
        ('[[zone]]\nname = "A"\noutline_mm = [[0, 0], [9, 9]]', "three corners"),
        ('[[zone]]\nname = "A"\noutline_mm = [[0, 0], [9, 9], [18, 18]]', "no area"),
        ('[[zone]]\nname = "A"\nkind = "wet"\noutline_mm = [[0, 0], [9, 0], [9, 9]]', "kind"),
        ('slab = "3x"', "A length"),
        ("slabs = 3", "unknown field"),
        ('{"features": 3}', "features"),
        ('{"features": [{"geometry": {"type": "Point", "coordinates": [1, 2]}}]}', "Polygon"),
        ("[[", "is wrong"),
    ],
)
def test_wrong_files_are_one_sentence(tmp_path, text, words):
    """What is wrong is said in one sentence that names the file."""
    with pytest.raises(SettingsError, match=words) as caught:
        read_zones(write(tmp_path, text))
    assert "zones.toml" in str(caught.value)
    assert 1 == len(str(caught.value).splitlines())


def test_missing_file_is_one_sentence(tmp_path):
    """A file that is not there is named."""
    with pytest.raises(SettingsError, match=r"no file .*nowhere\.toml"):
        read_zones(tmp_path / "nowhere.toml")


@pytest.mark.parametrize("n_rows", [600, 5000])
def test_areas_are_hidden_to_the_millimetre(n_rows):
    """The area hidden is that of the opening and of what lies outside the slab, also over several strips."""
    seen = np.ones((n_rows, 800), bool)
    hole = np.array([(100.0, 50.0), (220.0, 50.0), (220.0, 130.0), (100.0, 130.0)])
    slab = np.array([(0.0, 0.0), (300.0, 0.0), (300.0, 290.0), (0.0, 290.0)])
    hide_outlines(seen, 0.5, openings_mm=[hole], slab_mm=slab)
    # Outlines are drawn to whole pixels: half a pixel along every edge.
    assert 300 * 290 - 120 * 80 == pytest.approx(seen.sum() * 0.25, rel=0.005)
    assert not seen[100:260, 201:440].any()
    assert not seen[600:].any()
    assert not seen[:, 610:].any()
