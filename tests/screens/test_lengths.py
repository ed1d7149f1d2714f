"""Lengths are asked for in the shop's units and kept in mm."""

import pytest
from streamlit.testing.v1 import AppTest

from rakelight.screens import desk


def ask(value_mm, units):
    """A page that asks for one length and shows what it got."""
    import streamlit as st

    from rakelight.screens import parts

    st.text(repr(parts.ask_length("Size across", value_mm, (0.1, 200.0), units=units, key="size")))


@pytest.mark.parametrize("units", ["mm", "in"])
def test_untouched_length_stays_as_it_was(units):
    """A measured size is not rounded by looking at it."""
    page = AppTest.from_function(ask, kwargs={"value_mm": 2.3456, "units": units}).run()
    assert "2.3456" == page.text[0].value
    assert f"Size across, {units}" == page.number_input[0].label


def test_inches_become_mm():
    """A quarter inch is 6.35 mm; nothing typed is no length."""
    page = AppTest.from_function(ask, kwargs={"value_mm": None, "units": "in"}).run()
    assert "None" == page.text[0].value
    page.number_input[0].set_value(0.25).run()
    assert "6.35" == page.text[0].value


def test_shop_in_inches_keeps_mm(home, open_page):
    """The smallest pit that counts is typed in inches and kept in mm."""
    desk.write_shop(desk.Shop(units="in"))
    page = open_page("shop")
    page.number_input[0].set_value(0.0625)
    next(button for button in page.button if button.label == "Keep").click().run()
    assert 1.588 == pytest.approx(desk.read_shop().smallest_mm, abs=0.002)  # kept to a micrometre
