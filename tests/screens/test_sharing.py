"""The square to scan and the words in the window."""

import cv2
import numpy as np
import pytest

from rakelight.screens import sharing

ADDRESS = "http://192.168.7.5:8501/rl/enter#ABCDE23456"


def test_the_square_reads_as_the_address():
    """A reader that is not ours gets the same text back from the picture."""
    picture = sharing.draw_qr(ADDRESS)
    text, *_ = cv2.QRCodeDetector().detectAndDecode(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR))
    assert ADDRESS == text


def test_the_square_in_the_window_is_the_same():
    """Half blocks of the window, painted again, read as the address."""
    rows = []
    halves = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
    for line in sharing.write_qr(ADDRESS).splitlines():
        pairs = np.array([halves[sign] for sign in line], np.uint8).T
        rows += [pairs[0], pairs[1]]
    picture = np.kron(np.array(rows), np.ones((8, 8), np.uint8))
    text, *_ = cv2.QRCodeDetector().detectAndDecode(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR))
    assert ADDRESS == text


def test_the_window_tells_code_address_and_limits():
    """Code and address stand there in words, and that a public address needs a real sign-in."""
    told = "\n".join(sharing.tell_sharing("http://192.168.7.5:8501", "ABCDE-23456"))
    assert "ABCDE-23456" in told
    assert "http://192.168.7.5:8501" in told
    assert "sign-in" in told


@pytest.mark.parametrize("own", ["127.0.0.1", "0.0.0.0"])
def test_a_computer_on_no_network_has_no_address(monkeypatch, own):
    """An address that only this computer can use is none."""

    class Probe:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            return None

        def connect(self, _):
            return None

        def getsockname(self):
            return own, 1

    monkeypatch.setattr(sharing.socket, "socket", lambda *_: Probe())
    assert "" == sharing.find_own_address()
