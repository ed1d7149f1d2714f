"""The Photos page: from a photo to pits, and what a person is told on the way."""

import pytest

from rakelight.screens import drafts, frame


def find_button(page, label):
    """Return the button with a label."""
    return next(button for button in page.button if button.label == label)


def test_first_sight_asks_for_a_photo(home, open_page):
    """Before a photo is chosen there is nothing to press, and the address already keeps the draft."""
    page = open_page("photos")
    assert not page.exception
    assert ["Photos"] == [title.value for title in page.title]
    assert [] == [button.label for button in page.button]
    survey = page.query_params["survey"]
    survey = survey if isinstance(survey, str) else survey[0]
    assert drafts.load_draft(survey).photos == ()


def test_a_photo_leads_to_the_face(home, open_page, wait_for, make_draft, photo_jpeg):
    """One button: the pits are found, the record is in the log and the Face page is offered."""
    draft = make_draft(photo_jpeg)
    page = open_page("photos", survey=draft.uid)
    assert "done" == wait_for("check", draft.uid).state
    page.run()
    find_button(page, "Find the pits").click().run()
    progress = wait_for("measure", draft.uid)
    assert "done" == progress.state, progress.sentence
    page.run()
    assert not page.exception
    assert 10 < frame.shelf.find_seat(frame.open_shelf(), progress.result).n_pits


def test_check_tells_the_verdict(home, open_page, wait_for, make_draft, photo_jpeg):
    """The verdict stands there as soon as the photo was looked at, before anything is measured."""
    draft = make_draft(photo_jpeg)
    page = open_page("photos", survey=draft.uid)
    wait_for("check", draft.uid)
    page.run()
    assert drafts.read_check(draft)["verdict"] in ("good", "doubtful", "retake")
    boxes = [*page.success, *page.warning, *page.error]
    assert 1 == len(boxes)


def test_button_stays_shut_until_the_size_is_known(
    home, open_page, wait_for, make_draft, photo_jpeg
):
    """Without corners the button cannot be pressed and a sentence says what is missing."""
    draft = make_draft(photo_jpeg, scale_way="corners", slab_size="80 x 60")
    page = open_page("photos", survey=draft.uid)
    assert find_button(page, "Find the pits").disabled
    assert "four corners" in page.info[-1].value


def test_reload_loses_nothing(home, open_page, make_draft, photo_jpeg):
    """The address alone brings back the photo and what was said."""
    draft = make_draft(photo_jpeg, scale_way="corners")
    page = open_page("photos", survey=draft.uid)
    page.text_input(key="slab_size").set_value("80 x 60").run()
    again = open_page("photos", survey=draft.uid)
    assert "80 x 60" == again.text_input(key="slab_size").value


@pytest.mark.parametrize("uid", ["../../etc", "0" * 31, "A" * 32, "f" * 32])
def test_strange_address_is_told_in_a_sentence(home, open_page, uid):
    """An address that is not a survey of this machine is one sentence; no path is made of it."""
    page = open_page("photos", survey=uid)
    assert not page.exception
    assert 1 == len(page.error)
    assert not (home / "desk" / "drafts").exists()


def test_text_named_jpg_ends_in_a_sentence(home, open_page, wait_for, make_draft):
    """A text file named .jpg is kept, has no picture, and the page says what to do."""
    draft = make_draft(b"this is no picture")
    page = open_page("photos", survey=draft.uid)
    progress = wait_for("check", draft.uid)
    page.run()
    assert "failed" == progress.state
    assert not page.exception
    assert progress.sentence == page.error[0].value
