"""The Plan page: ways side by side, own times, and what a person fixes."""

import pytest

from rakelight.screens import frame, looks


def figures_of(look):
    """Return the plan's figures as the screens read them."""
    return frame.read_extras(look)["plan"]["figures"]


def test_test_patch_stands_above_all_advice(look, open_page):
    """The first thing said on the page is to make a test patch."""
    page = open_page("plan", look=look)
    assert not page.exception
    assert "Test patch first" in page.warning[0].value


def test_ways_stand_side_by_side(look, open_page):
    """Three ways with time, grams and pits; the cheapest is taken at first."""
    page = open_page("plan", look=look)
    names = [way["name"] for way in figures_of(look)["alternatives"]]
    assert ["A", "B", "C"] == names
    assert page.button(key="take_A").disabled
    assert not page.button(key="take_B").disabled


def test_taking_the_way_by_hand_plans_without_a_coat(look, open_page, wait_for):
    """Way B fixes that nothing is coated, and the plan is worked out anew."""
    page = open_page("plan", look=look)
    page.button(key="take_B").click().run()
    assert {"all": "no_coat"} == looks.read_choices(look).locked
    assert "done" == wait_for("settle", look).state
    assert 0 == figures_of(look)["coated_m2"]
    page.run()
    assert page.button(key="take_B").disabled


@pytest.fixture
def quiet_bench(monkeypatch):
    """A bench that does nothing."""
    monkeypatch.setattr(frame.Bench, "start", lambda *_: None)


def test_own_times_are_kept(look, open_page, quiet_bench):
    """Only what differs from the program's assumption becomes the shop's own time."""
    page = open_page("plan", look=look)
    field = next(n for n in page.number_input if n.label.startswith("Minutes to fill"))
    field.set_value(2.0)
    next(b for b in page.button if b.label == "Plan with these").click().run()
    assert {"fill_min_per_pit": 2.0} == looks.read_choices(look).rates


def test_impossible_times_are_told(look, open_page, quiet_bench):
    """Zero minutes for a pit is refused in a sentence and nothing is kept."""
    page = open_page("plan", look=look)
    field = next(n for n in page.number_input if n.label.startswith("Minutes to fill"))
    field.set_value(0.0)
    next(b for b in page.button if b.label == "Plan with these").click().run()
    assert 1 == len(page.error)
    assert {} == looks.read_choices(look).rates


def test_order_of_work_goes_into_a_calendar(look, open_page):
    """The page lists the steps in order; the first is the test patch, the last is no verdict."""
    page = open_page("plan", look=look)
    steps = [t.value for t in page.markdown if t.value.startswith("**1. ")]
    assert ["**1. Test patch first**"] == [step.split(" (")[0] for step in steps]


def test_a_field_is_fixed_and_freed(look, open_page, quiet_bench):
    """What a person fixes for one field is kept for it alone, and given back with one button."""
    page = open_page("plan", look=look)
    field = page.selectbox(key="fixed_field").options[0]
    page.selectbox(key="fixed_choice").set_value("leave")
    page.button(key="fix").click().run()
    assert {field: "leave"} == looks.read_choices(look).locked
    page.button(key=f"free_{field}").click().run()
    assert {} == looks.read_choices(look).locked
