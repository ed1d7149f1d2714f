"""The map of tones: true in shape, readable in grey, told in words."""

import re

import numpy as np
import pandas as pd
import pytest

from rakelight.screens.tone_map import draw_tone_map, pick_shade, place_ticks


@pytest.fixture
def cells():
    """Six cells of 50 mm, the fifth 3 L* darker than the rest."""
    x, y = np.meshgrid([25.0, 75.0, 125.0], [25.0, 75.0])
    tones = [60.0, 60.0, 60.0, 60.0, 57.0, 60.0]
    return pd.DataFrame({"x_mm": x.ravel(), "y_mm": y.ravel(), "L": tones})


def grey_of(shade: str) -> float:
    """Lightness of a colour as a grey printer prints it, 0 to 255."""
    red, green, blue = (int(shade[at : at + 2], 16) for at in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue


def test_every_cell_stands_in_its_place(cells):
    """One box per cell, where the cell lies, in a picture of the face's own shape."""
    drawn = draw_tone_map(cells, 50.0, (150.0, 100.0), units="mm")
    assert 6 == drawn.count("<rect")
    assert 'viewBox="0 0 150.0 100.0"' in drawn and "aspect-ratio:150.0/100.0" in drawn
    assert '<rect x="50.0" y="50.0" width="50.5" height="50.5" fill="#3d3731">' in drawn


def test_darkest_cell_is_told(cells):
    """Who hears the page learns what the eye sees first."""
    told = re.search('aria-label="([^"]*)"', draw_tone_map(cells, 50.0, (150.0, 100.0), units="mm"))
    assert "Tone of 6 cells" in told[1]
    assert "the darkest −3.0 L* at 75 mm from the left" in told[1]


def test_darker_is_darker_in_grey():
    """Printed without colour the order of the tones stays."""
    greys = [grey_of(pick_shade(share)) for share in np.linspace(-1, 1, 9)]
    assert sorted(greys) == greys and greys[-1] - greys[0] > 150


def test_even_face_does_not_look_uneven(cells):
    """Differences of a tenth of L* use a twentieth of the ramp."""
    even = cells.assign(L=60.0 + np.array([0, 0, 0, 0, 0.1, 0]))
    shades = re.findall(
        'fill="(#[0-9a-f]{6})"', draw_tone_map(even, 50.0, (150.0, 100.0), units="mm")
    )
    assert max(map(grey_of, shades)) - min(map(grey_of, shades)) < 12


@pytest.mark.parametrize(
    ("length_mm", "units", "words"),
    [(450.0, "mm", ["0", "100", "200", "300", "400"]), (609.6, "in", ["0", "6", "12", "18", "24"])],
)
def test_edges_carry_round_numbers(length_mm, units, words):
    """The numbers at an edge are those of a tape, at their true places."""
    ticks = place_ticks(length_mm, units)
    assert words == [told for _, told in ticks]
    assert ticks[1][0] == pytest.approx((100 / 450) if units == "mm" else 0.25)


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("length_mm", [60.0, 700.0, 2400.0, 9000.0, 40000.0])
def test_edges_are_never_crowded(length_mm, units):
    """On a phone seven numbers fit along an edge, however long the slab."""
    assert 1 <= len(place_ticks(length_mm, units)) <= 7
