"""The address for the shop's phones and the square to scan."""

import os
import socket
from collections.abc import Iterator

import cv2
import numpy as np

ADDRESS = "RAKELIGHT_ADDRESS"
_QUIET = 4


def read_address() -> str:
    """Return the address that phones use; empty when the screens are open on this computer only."""
    return os.environ.get(ADDRESS, "")


def find_own_address() -> str:
    """Return this computer's address on its local network; empty when it is on none.

    Nothing is sent: choosing a way towards an address is enough to learn the own one.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("10.255.255.255", 1))
            own = probe.getsockname()[0]
        except OSError:
            return ""
    return "" if own.startswith(("127.", "0.")) else own


def tell_sharing(address: str, code: str) -> Iterator[str]:
    """Yield the lines for the window: the square with the code in it, address, code, and what it is not.

    The code stands behind the # of the square's address, which a browser never sends to a server.
    """
    yield write_qr(f"{address}/rl/enter#{code.replace('-', '')}")
    yield f"  Scan the square with the phone, or open {address}"
    yield f"  Access code: {code}   (a new one at every start)"
    yield "  Anyone on this Wi-Fi who knows the code can see and change the jobs. The Wi-Fi carries it unhidden:"
    yield "  this is a lock for a workshop. A public address needs a real sign-in; see docs/sharing.md."


def make_qr(text: str) -> np.ndarray:
    """Return the QR code of a text, one number per square, True where it is dark, with its quiet edge."""
    code = cv2.QRCodeEncoder.create().encode(text)
    is_dark = code < 128
    inside = np.argwhere(is_dark)
    top, left = inside.min(axis=0)
    bottom, right = inside.max(axis=0) + 1
    return np.pad(is_dark[top:bottom, left:right], _QUIET)


def draw_qr(text: str, side_px: int = 480) -> np.ndarray:
    """Return the QR code of a text as a picture, uint8 grey."""
    code = make_qr(text)
    step = max(1, side_px // len(code))
    return np.where(np.kron(code, np.ones((step, step), bool)), 0, 255).astype(np.uint8)


def write_qr(text: str) -> str:
    """Return the QR code of a text for a terminal, two rows of squares per line, dark on light."""
    code = make_qr(text)
    if len(code) % 2:
        code = np.vstack([code, np.zeros((1, code.shape[1]), bool)])
    signs = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
    lines = [
        "".join(signs[bool(a), bool(b)] for a, b in zip(top, bottom, strict=True))
        for top, bottom in zip(code[::2], code[1::2], strict=True)
    ]
    return "\n".join(lines)
