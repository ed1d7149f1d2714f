"""The door of the screens: who may come in, from which address, with which code.

On this computer alone the door only checks that a request was meant for this computer (so that no
web page elsewhere can reach the screens through the browser). On the shop's Wi-Fi it also asks for
the access code, once per device. The code is kept as a slow hash only, and guessing is slowed down.

This is a lock for a workshop, not for the internet: the shop's Wi-Fi carries the code in the clear.
A public address needs a real sign-in; `docs/sharing.md` says how.
"""

import hashlib
import hmac
import os
import secrets
import threading
import time
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

CODE_HASH = "RAKELIGHT_CODE_HASH"
HOSTS = "RAKELIGHT_HOSTS"
ENTER = "/rl/enter"
COOKIE = "rakelight_pass"
PASS_HOURS = 12
TRIES_PER_ADDRESS = 5
TRIES_IN_ALL = 30
TRIES_WITHIN_S = 300.0
LOCAL_HOSTS = ("localhost", "127.0.0.1", "[::1]")
# Letters and digits that cannot be mistaken for one another in a gloved hand.
ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_CODE_LENGTH = 10
_SCRYPT = {"n": 2**14, "r": 8, "p": 1, "dklen": 32}
_FORM_BYTES_MAX = 4096
_SECURITY_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"x-frame-options", b"SAMEORIGIN"),
)


def make_code() -> str:
    """Return a new access code of ten letters and digits in two groups, about 49 bits."""
    letters = "".join(secrets.choice(ALPHABET) for _ in range(_CODE_LENGTH))
    return f"{letters[:5]}-{letters[5:]}"


def tidy_code(typed: str) -> str:
    """Return a code as it is hashed: without dashes and spaces, in capitals."""
    return "".join(letter for letter in typed.upper() if letter in ALPHABET)


def hash_code(code: str, salt: bytes | None = None) -> str:
    """Return `salt$hash` of a code in hex, slow to guess (scrypt, 16 MB)."""
    salt = salt or secrets.token_bytes(16)
    hashed = hashlib.scrypt(tidy_code(code).encode(), salt=salt, **_SCRYPT)
    return f"{salt.hex()}${hashed.hex()}"


def is_code(typed: str, code_hash: str) -> bool:
    """Whether what was typed is the code, compared in constant time."""
    salt = bytes.fromhex(code_hash.partition("$")[0])
    return hmac.compare_digest(hash_code(typed, salt), code_hash)


@dataclass
class Tries:
    """Counts wrong codes per address and in all, and says when to wait."""

    per_address: int = TRIES_PER_ADDRESS
    in_all: int = TRIES_IN_ALL
    within_s: float = TRIES_WITHIN_S
    _times: dict[str, list[float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def claim(self, address: str, now: float | None = None) -> bool:
        """Note one try of an address; False when it, or everyone together, must wait.

        The try is noted before the code is checked, so that many at once gain nothing.
        """
        now = time.monotonic() if now is None else now
        with self._lock:
            recent = {
                who: kept
                for who, times in self._times.items()
                if (kept := [t for t in times if now - t < self.within_s])
            }
            self._times = recent
            if len(recent.get(address, ())) >= self.per_address:
                return False
            if sum(map(len, recent.values())) >= self.in_all:
                return False
            recent.setdefault(address, []).append(now)
            return True

    def forgive(self, address: str) -> None:
        """Forget the tries of an address that knew the code."""
        with self._lock:
            self._times.pop(address, None)


class Gate:
    """Starlette-style middleware around everything: pages, pictures, uploads and the live line."""

    def __init__(self, app, *, code_hash: str = "", hosts: tuple[str, ...] = LOCAL_HOSTS) -> None:
        self.app = app
        self.code_hash = code_hash
        self.hosts = frozenset(hosts)
        self.tries = Tries()
        self._secret = secrets.token_bytes(32)

    async def __call__(self, scope, receive, send) -> None:
        """Let a request through, ask for the code, or turn it away."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = _read_headers(scope)
        if not self._is_meant_for_us(headers, scope):
            await _refuse(scope, send, 403, "This address is not one of this program.")
        elif self.code_hash and scope["path"] == ENTER and scope["type"] == "http":
            await self._enter(scope, receive, send)
        elif self.code_hash and not self._has_pass(headers):
            await self._turn_to_door(scope, headers, send)
        else:
            await self.app(scope, receive, _with_headers(send))

    def _is_meant_for_us(self, headers: dict[str, str], scope) -> bool:
        host = _bare_host(headers.get("host", ""))
        origin = headers.get("origin")
        is_changing = scope["type"] == "websocket" or scope.get("method") not in ("GET", "HEAD")
        if origin and is_changing and urlsplit(origin).netloc != headers.get("host"):
            return False
        return host in self.hosts

    def _has_pass(self, headers: dict[str, str]) -> bool:
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        until, _, mark = (morsel.value if morsel else "").partition(".")
        if not until.isdigit() or float(until) < time.time():
            return False
        return hmac.compare_digest(mark, self._sign(until))

    def _sign(self, until: str) -> str:
        return hmac.new(self._secret, until.encode(), hashlib.sha256).hexdigest()

    async def _turn_to_door(self, scope, headers: dict[str, str], send) -> None:
        wants_page = scope["type"] == "http" and "text/html" in headers.get("accept", "")
        if wants_page and scope.get("method") == "GET":
            await _answer(send, 303, b"", [(b"location", ENTER.encode())])
        else:
            await _refuse(scope, send, 401, "Enter the access code first.")

    async def _enter(self, scope, receive, send) -> None:
        if scope["method"] != "POST":
            await _show_door(send, 200, "")
            return
        address = (scope.get("client") or ("unknown",))[0]
        if not self.tries.claim(address):
            await _show_door(send, 429, "Too many wrong codes. Wait five minutes, then try again.")
            return
        typed = (await _read_form(receive)).get("code", "")
        if not is_code(typed, self.code_hash):
            await _show_door(
                send, 401, "That is not the code. It stands where rakelight was started."
            )
            return
        self.tries.forgive(address)
        until = str(int(time.time() + PASS_HOURS * 3600))
        cookie = (
            f"{COOKIE}={until}.{self._sign(until)}; Path=/; HttpOnly; SameSite=Strict; "
            f"Max-Age={PASS_HOURS * 3600}"
        )
        await _answer(send, 303, b"", [(b"location", b"/"), (b"set-cookie", cookie.encode())])


def read_gate() -> dict:
    """Return the arguments of the gate as the starting program set them in the environment."""
    more = tuple(host for host in os.environ.get(HOSTS, "").split(",") if host)
    return {"code_hash": os.environ.get(CODE_HASH, ""), "hosts": (*LOCAL_HOSTS, *more)}


def _read_headers(scope) -> dict[str, str]:
    return {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}


def _bare_host(host: str) -> str:
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].lower()


async def _read_form(receive) -> dict[str, str]:
    body, more = b"", True
    while more and len(body) <= _FORM_BYTES_MAX:
        message = await receive()
        body += message.get("body", b"")
        more = message.get("more_body", False) and message["type"] == "http.request"
    fields = parse_qs(body[:_FORM_BYTES_MAX].decode("utf-8", "replace"))
    return {name: values[0] for name, values in fields.items()}


async def _show_door(send, status: int, sentence: str) -> None:
    page = (Path(__file__).parent / "assets" / "door.html").read_text(encoding="utf-8")
    content = page.replace("{{sentence}}", sentence).encode()
    headers = [(b"content-type", b"text/html; charset=utf-8"), (b"cache-control", b"no-store")]
    await _answer(send, status, content, headers)


async def _refuse(scope, send, status: int, sentence: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    await _answer(
        send, status, sentence.encode(), [(b"content-type", b"text/plain; charset=utf-8")]
    )


async def _answer(send, status: int, content: bytes, headers: list) -> None:
    headers = [*headers, *_SECURITY_HEADERS, (b"content-length", str(len(content)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": content})


def _with_headers(send):
    async def sending(message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", ()), *_SECURITY_HEADERS]}
        await send(message)

    return sending
