"""Pictures that several tests of the scale look at."""

import pytest

from .scenes import draw_mark, print_card, render_desk


@pytest.fixture(scope="session")
def card_print():
    """The card's printed face as linear reflectance."""
    return print_card()


@pytest.fixture(scope="session")
def mark_print():
    """A function that returns one mark's cut square as linear reflectance."""
    return draw_mark


@pytest.fixture(scope="session")
def make_desk():
    """A function that returns a wooden desk of a size in mm, in linear light."""
    return render_desk
