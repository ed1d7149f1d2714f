"""The Face page: what a person sees of a pit and how it is overruled."""

import pandas as pd
import pytest

from rakelight.core.records import PIT_COLUMNS
from rakelight.core.tables import parse_csv
from rakelight.screens import desk, frame, looks, shelf


def press(page, key):
    """Return the page after a button was pressed."""
    return page.button(key=key).click().run()


def pick(page, number):
    """Return the page after a pit was tapped."""
    page.session_state["pit"] = number
    return page.run()


def decisions_of(look):
    """Return the decisions about a look as the log holds them."""
    return shelf.read_decisions(frame.open_shelf(), look)


@pytest.fixture
def quiet_bench(monkeypatch):
    """A bench that notes what was started and does nothing."""
    started = []
    monkeypatch.setattr(frame.Bench, "start", lambda _, what, uid: started.append((what, uid)))
    return started


def test_face_tells_the_numbers(look, open_page):
    """As many pits stand there as the log has, with what the answer does not say."""
    page = open_page("face", look=look)
    assert not page.exception
    n_pits = shelf.find_seat(frame.open_shelf(), look).n_pits
    assert any(f"**{n_pits}** pits" in text.value for text in page.markdown)
    assert any("not a verdict" in text.value for text in page.markdown)


def test_tapped_pit_is_told(look, open_page):
    """A pit has its size with a range, its place from the front left, and why it is one."""
    page = pick(open_page("face", look=look), 1)
    words = " ".join(text.value for text in [*page.header, *page.markdown])
    assert not page.exception
    assert "Pit 1:" in words and "±" in words
    assert "from the left" in words and "from the front" in words
    assert "**Why:** light comes from the left" in words
    assert "in 100 are real" in words


def test_a_pit_is_taken_off_and_brought_back(look, open_page, quiet_bench):
    """What is taken off is a decision in the log; the measured record stays; it can be taken back."""
    page = press(pick(open_page("face", look=look), 1), "delete")
    assert [("delete", 1)] == [(d["what"], d["pit_id"]) for d in decisions_of(look)]
    assert "taken off the list" in page.info[0].value
    pits = looks.list_pits(look, decisions_of(look))
    assert "deleted" == pits.loc[pits["pit_id"] == 1, "state"].item()
    assert ("settle", look) in quiet_bench
    press(page, "undo")
    assert [] == decisions_of(look)


def test_a_pit_is_left_as_character(look, open_page, quiet_bench):
    """A pit left as character stays in the list with that mark."""
    press(pick(open_page("face", look=look), 2), "character")
    pits = looks.list_pits(look, decisions_of(look))
    assert "character" == pits.loc[pits["pit_id"] == 2, "state"].item()


def test_a_missed_pit_is_added_where_it_was_tapped(look, open_page, quiet_bench):
    """A tap at column 99.5 of a .16 mm map is 16 mm from the left."""
    page = open_page("face", look=look)
    page.toggle(key="is_adding").set_value(True).run()
    page.session_state["new_place"] = (99.5, 49.5)
    page.run()
    page.number_input(key="new_size").set_value(3.0).run()
    press(page, "add")
    added = looks.list_pits(look, decisions_of(look)).query("state == 'added'")
    assert [(16.0, 8.0, 3.0)] == [
        (row.x_mm, row.y_mm, row.diameter_mm) for row in added.round(6).itertuples()
    ]


def test_pin_depth_is_kept(look, open_page, quiet_bench):
    """A depth typed in from a pin is a choice of this look and a note in the log."""
    page = pick(open_page("face", look=look), 1)
    page.number_input(key="pin_1").set_value(2.5).run()
    press(page, "pin")
    assert {"1": 2.5} == looks.read_choices(look).pins


def test_papers_follow_what_was_decided(look, open_page, wait_for):
    """After a pit is taken off, list and plan are worked out anew without it; numbers stay."""
    n_pits = len(parse_csv(looks.papers_folder(look) / "pits.csv", PIT_COLUMNS))
    page = press(pick(open_page("face", look=look), 1), "delete")
    progress = wait_for("settle", look)
    assert "done" == progress.state, progress.sentence
    pits = parse_csv(looks.papers_folder(look) / "pits.csv", PIT_COLUMNS)
    assert n_pits - 1 == len(pits)
    assert 1 not in set(pits["pit_id"])
    assert not page.run().exception
    mark = looks.fingerprint(look, decisions_of(look), desk.read_shop())
    assert looks.is_up_to_date(look, mark)


def test_places_count_from_the_front_left(monkeypatch):
    """A pit 100 mm from the top of a 450 mm face lies 350 mm from the front, 13.8 in."""
    arrange_pits = load_arrange_pits(monkeypatch)
    pits = pd.DataFrame(
        {"pit_id": [7], "x_mm": [25.4], "y_mm": [100.0], "diameter_mm": [2.54], "kind": ["bug_hole"],
         "confidence": [0.9], "state": ["measured"]}
    )  # fmt: skip
    assert 350 == arrange_pits(pits, 450.0, "mm")["From front, mm"][0]
    inches = arrange_pits(pits, 450.0, "in")
    wanted = inches[["Size, in", "From left, in", "From front, in"]]
    assert (0.1, 1.0, 13.8) == tuple(wanted.iloc[0])
    assert "bug hole" == inches["Kind"][0]


def load_arrange_pits(monkeypatch):
    """Return a function of the page's file, whose last line would show the page."""
    from rakelight.screens.server import HERE

    monkeypatch.setattr(frame, "guard", lambda page: None)
    scope: dict = {}
    exec(compile((HERE / "face.py").read_text(encoding="utf-8"), "face.py", "exec"), scope)
    return scope["arrange_pits"]


def test_overtaken_papers_are_not_waited_for(look, open_page, monkeypatch):
    """A newer decision stops the work on the papers of the one before and begins anew."""
    done = []
    monkeypatch.setattr(frame.Bench, "start", lambda self, what, uid: done.append("start"))
    monkeypatch.setattr(frame.Bench, "stop", lambda self, what, uid: done.append("stop"))
    busy = desk.Progress("working", "writing the pages", 0.7)
    monkeypatch.setattr(frame.Bench, "look_up", lambda self, what, uid: busy)
    looks.note_settling(look, "of an older decision")
    desk.write_shop(desk.Shop(name="Kiln Lane Concrete"))  # so that the papers have to be new
    assert not open_page("face", look=look).exception
    assert ["stop", "start"] == done
