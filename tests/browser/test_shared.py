"""`rakelight app --share` seen from a phone: the door, the right code, and guessing slowed down."""

import re

import pytest

from rakelight.screens import sharing
from rakelight.screens.gate import ALPHABET, TRIES_PER_ADDRESS

from .conftest import start_app


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """The screens on this machine's network, their address there, and the code in the window."""
    own = sharing.find_own_address()
    if not own:
        pytest.skip("this machine is on no network")
    with start_app(tmp_path_factory.mktemp("shared"), "--share") as (address, said):
        port = address.rpartition(":")[2]
        code = re.search(r"Access code: (\S+)", said.read_text())[1]
        yield f"http://{own}:{port}", code


def knock(person, code: str) -> None:
    """Type a code at the door."""
    person.page.get_by_label("Access code").fill(code)
    person.page.get_by_role("button", name="Come in").click()


def test_phone_comes_in_with_the_code(shared, visit):
    """Without the code there is only the door; with it the jobs, and a reload stays inside."""
    address, code = shared
    person = visit(address, size="phone")
    person.go()
    assert person.page.url.endswith("/rl/enter")
    assert 390 >= person.page.evaluate("document.documentElement.scrollWidth")
    box = person.page.get_by_role("button", name="Come in").bounding_box()
    assert box["height"] >= 44
    knock(person, code.lower())
    person.see_title("Jobs")
    person.go("shop")
    person.see_title("Shop")
    person.page.get_by_alt_text(f"Square to scan that leads to {address}").wait_for()


def test_scanned_square_comes_in_by_itself(shared, visit):
    """The code behind the # of the scanned address opens the door without typing."""
    address, code = shared
    person = visit(address, size="phone")
    person.page.goto(f"{address}/rl/enter#{code.replace('-', '')}")
    person.see_title("Jobs")
    assert code.replace("-", "") not in person.page.url


def test_guessing_is_slowed_down(shared, visit):
    """Wrong codes are told; after a few even the right one has to wait."""
    address, code = shared
    person = visit(address, size="phone")
    person.go()
    wrong = "".join(next(c for c in ALPHABET if c != letter) for letter in code.replace("-", ""))
    for _ in range(TRIES_PER_ADDRESS):
        knock(person, wrong)
        person.page.get_by_text("That is not the code.").wait_for()
    knock(person, code)
    person.page.get_by_text("Too many wrong codes.").wait_for()
    person.complaints.clear()  # the browser notes each refusal; that is what was asked for
    assert (
        429
        == person.page.request.post(
            f"{address}/rl/enter", form={"code": code}, headers={"origin": address}
        ).status
    )
