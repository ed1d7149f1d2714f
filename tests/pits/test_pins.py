"""Depths typed in from a pin gauge."""

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.core.records import PIT_COLUMNS, make_table
from rakelight.pits.measure import fill_volume_mm3
from rakelight.pits.pins import PinDepth, apply_pins, parse_pin, read_pins


@pytest.fixture
def pits():
    """Three pits of 4 mm: one with a least depth, two without any."""
    unknown = ["", "depth_unknown", "near_edge depth_unknown"]
    return make_table(
        PIT_COLUMNS,
        {
            "pit_id": [1, 2, 3], "x_mm": [10.0, 50.0, 56.0], "y_mm": [20.0, 60.0, 60.0], "diameter_mm": [4.0, 4.0, 4.0],
            "depth_mm": [0.8, np.nan, np.nan], "depth_basis": ["at_least", "unknown", "unknown"], "flags": unknown,
        },
    )  # fmt: skip


def test_a_pin_beats_the_shadow(pits):
    """Pit 1 by number and pit 3 by place get their depths; volumes are caps of that depth; pit 2 stays unknown."""
    done = apply_pins(pits, [parse_pin("1=1.5"), parse_pin("57,61=3")])
    assert [1.5, 3.0] == done.depth_mm[[0, 2]].tolist()
    assert ["pin", "unknown", "pin"] == done.depth_basis.tolist()
    assert ["", "depth_unknown", "near_edge"] == done["flags"].tolist()
    # Cap of radius 2 and depth 1.5: pi x 1.5 x (3 x 4 + 2.25) / 6.
    assert np.pi * 1.5 * 14.25 / 6 == pytest.approx(done.volume_mm3[0])
    assert fill_volume_mm3(4.0, 3.0) == pytest.approx(done.volume_mm3[2])
    assert pits.depth_mm[0] == 0.8


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["9=2"], "no pit 9"),
        (["200,200=2"], "No pit lies at 200,200"),
        (["2=1", "50,60=2"], "Two pin depths name the same pit"),
    ],
)
def test_a_depth_never_lands_on_another_pit(pits, texts, words):
    """A number or place without a pit, and two depths for one pit, are one sentence each."""
    with pytest.raises(SettingsError, match=words):
        apply_pins(pits, [parse_pin(text) for text in texts])


@pytest.mark.parametrize(
    "text", ["12", "12=", "=3", "a=3", "1,2,3=4", "1.5=2", "0=2", "3=-1", "3=nan", "3=900"]
)
def test_what_cannot_be_read_is_one_sentence(text):
    """Readings that are no reading say how to write one."""
    with pytest.raises(SettingsError) as caught:
        parse_pin(text)
    assert 1 == len(str(caught.value).splitlines())


def test_a_file_of_readings(tmp_path):
    """By number, by place, and a copy of pits.csv in which only rows of basis pin count."""
    by_id, by_place, copy = (tmp_path / name for name in ("a.csv", "b.csv", "c.csv"))
    by_id.write_text("pit_id,depth_mm\n3,2.5\n4,\n")
    by_place.write_text("x_mm,y_mm,depth_mm\n410,212,3.5\n")
    copy.write_text("pit_id,x_mm,y_mm,depth_mm,depth_basis\n1,5,5,0.8,at_least\n2,9,9,1.9,pin\n")
    assert (PinDepth(2.5, 3),) == read_pins(by_id)
    assert (PinDepth(3.5, at_mm=(410.0, 212.0)),) == read_pins(by_place)
    assert (PinDepth(1.9, 2),) == read_pins(copy)


@pytest.mark.parametrize("text", ["", "pit_id\n1\n", "x_mm,depth_mm\n1,2\n"])
def test_a_file_without_the_columns_is_refused(tmp_path, text):
    """The sentence names the columns that are needed."""
    path = tmp_path / "pins.csv"
    path.write_text(text)
    with pytest.raises(SettingsError, match="needs the columns"):
        read_pins(path)


def test_a_list_from_a_spreadsheet_with_decimal_commas(tmp_path):
    """Semicolons between cells and commas in numbers, as half the world's spreadsheets save them."""
    path = tmp_path / "pins.csv"
    path.write_text("pit_id;x_mm;y_mm;depth_mm\n3;1,0;2,0;3,5\n;410,5;212;2\n", encoding="utf-8")
    assert (PinDepth(3.5, pit_id=3), PinDepth(2.0, at_mm=(410.5, 212.0))) == read_pins(path)
    assert PinDepth(3.5, pit_id=12) == parse_pin("12=3,5")
