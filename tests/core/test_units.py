"""Lengths and sizes as people write and read them."""

import pytest

import rakelight
from rakelight.core.errors import SettingsError
from rakelight.core.units import (
    format_inches,
    parse_length_mm,
    parse_number,
    parse_size_mm,
    per_ft2,
    per_m2,
)


@pytest.mark.parametrize(
    ("text", "length_mm"),
    [
        ("2400", 2400),
        ("2.4m", 2400),
        ("2,4 m", 2400),
        ("28in", 711.2),
        ("8ft", 2438.4),
        ("7' 6 1/2\"", 2298.7),
        ("3/4 in", 19.05),
    ],
)
def test_lengths_people_write(text, length_mm):
    """One inch is 25.4 mm and one foot 304.8 mm, exactly."""
    assert length_mm == pytest.approx(parse_length_mm(text))


@pytest.mark.parametrize(
    "text", ["", "wide", "0", "-3", "2,400", "7 6", "1/0", "12in 3/16", "1.2.3"]
)
def test_doubtful_lengths_are_refused(text):
    """What could be read in two ways is refused with one sentence."""
    with pytest.raises(SettingsError) as caught:
        parse_length_mm(text)
    assert 1 == len(str(caught.value).splitlines())


def test_sizes_have_two_sides():
    """8 ft x 28 in is 2438.4 x 711.2 mm; one side alone is refused."""
    assert (2438.4, 711.2) == pytest.approx(parse_size_mm("8ft x 28in"))
    with pytest.raises(SettingsError):
        parse_size_mm("2400")


@pytest.mark.parametrize(
    ("length_mm", "text"), [(25.4, '1"'), (310, '12 3/16"'), (1.6, '1/16"'), (0, '0"')]
)
def test_inches_to_a_sixteenth(length_mm, text):
    """Lengths read as on a tape, rounded to the nearest sixteenth."""
    assert text == format_inches(length_mm)


def test_counts_per_area():
    """21.5 per m2 is 2 per square foot (trade rule of thumb)."""
    assert 21.5 == pytest.approx(per_m2(2, 304.8**2), abs=0.05)
    assert 2 == pytest.approx(per_ft2(21.528, 1e6), abs=0.001)


def test_every_public_name_resolves():
    """What the package offers exists."""
    assert [] == [name for name in rakelight.__all__ if not hasattr(rakelight, name)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0.25", 0.25),
        ("0,25", 0.25),
        ("0,165", 0.165),
        (" 12 ", 12.0),
        ("-90", -90.0),
        ("1e-1", 0.1),
    ],
)
def test_number_with_point_or_comma(text, expected):
    """Half the world writes a decimal comma."""
    assert expected == parse_number(text)


@pytest.mark.parametrize("text", ["", "wide", "0,2,5", "1,250", "12,500", "1.000,5", "nan", "inf"])
def test_number_that_is_none_is_one_sentence(text):
    """What is no number, or could be two, is told with what would be right."""
    with pytest.raises(SettingsError, match=r"^Write .*\.$"):
        parse_number(text)
