"""Every page opens, with nothing there and with a job there, and wrong addresses are told."""

import pytest

from rakelight.log.search import list_jobs
from rakelight.log.store import add_job, add_slab
from rakelight.screens import desk, frame
from rakelight.screens.server import HERE

LOOK_PAGES = ("face", "tone", "plan", "change", "papers")


@pytest.mark.parametrize("name", ["jobs", "logbook", "shop"])
def test_opens_on_an_empty_log(home, open_page, name):
    """A new shop sees the page, not a mistake."""
    page = open_page(name)
    assert not page.exception and not page.error
    assert 1 == len(page.title)


@pytest.mark.parametrize("name", LOOK_PAGES)
def test_opens_on_a_measured_survey(look, open_page, name):
    """Each page about an inspection opens by the id in its address."""
    page = open_page(name, look=look)
    assert not page.exception and not page.error
    assert 1 == len(page.title)


@pytest.mark.parametrize("name", LOOK_PAGES)
@pytest.mark.parametrize("uid", ["", "../../x", "f" * 32])
def test_wrong_id_is_told(home, open_page, name, uid):
    """An id that is not in the log is one sentence with a way back."""
    page = open_page(name, look=uid)
    assert not page.exception
    assert 1 == len(page.error)


def test_job_shows_the_next_step(look, open_page):
    """After the first survey the next step is the plan, and one button leads there."""
    uid = list_jobs(frame.open_shelf())["uid"][0]
    page = open_page("job", job=uid)
    assert not page.exception
    assert any(button.label == "Plan the repair" for button in page.button)
    assert any("**➜\u00a0Plan**" in text.value for text in page.markdown)


def test_new_job_begins_with_photos(home, open_page):
    """A job without photos offers to take the first ones, and says that nothing was agreed."""
    uid = add_job(frame.open_shelf(), "Hearth", client="a client")
    add_slab(frame.open_shelf(), uid, "slab 1")
    page = open_page("job", job=uid)
    assert any(button.label == "Take the first photos" for button in page.button)
    assert any("Nothing was agreed" in text.value for text in page.caption)


def test_typed_names_are_never_markup(home, open_page):
    """A name full of signs stands there as it was typed."""
    uid = add_job(frame.open_shelf(), "a *b* [c](http://x) <i>d</i> $e$ :red[f]")
    page = open_page("job", job=uid)
    assert (
        "a \\*b\\* \\[c\\]\\(http\\://x\\) \\<i\\>d\\</i\\> \\$e\\$ \\:red\\[f\\]"
        == page.title[0].value
    )


def test_shop_keeps_what_is_said(home, open_page):
    """Name and units hold for every job from then on."""
    page = open_page("shop")
    page.text_input[0].set_value("Kiln Lane Concrete")
    page.number_input[0].set_value(2.0)
    next(button for button in page.button if button.label == "Keep").click().run()
    assert ("Kiln Lane Concrete", 2.0) == (desk.read_shop().name, desk.read_shop().smallest_mm)


def test_log_finds_the_survey(look, open_page):
    """A search by a part of the job's name lists its inspection."""
    page = open_page("logbook")
    page.text_input[0].set_value("studio")
    next(button for button in page.button if button.label == "Search").click().run()
    assert not page.exception
    assert any("1 found" == text.value for text in page.caption)


def test_papers_are_offered_by_id(look, open_page):
    """The address of a paper holds the inspection's id and the paper's name, and every file has one."""
    from rakelight.core.tables import INSPECTION_FILES

    page = open_page("papers", look=look)
    addresses = [button.proto.url for button in page.get("link_button")]
    names = {*INSPECTION_FILES, "inspection.zip"}
    assert {f"/rl/paper/{look}/{name}" for name in names} == set(addresses)


def test_every_page_file_is_listed():
    """A page that no list names cannot be reached."""
    way = (HERE / "way.py").read_text(encoding="utf-8")
    pages = [
        p.name for p in HERE.glob("*.py") if "frame.guard(main)" in p.read_text(encoding="utf-8")
    ]
    assert 10 == len(pages)
    assert [] == [name for name in pages if f'"{name}"' not in way]
