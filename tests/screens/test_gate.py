"""The door: who is let in, from where, with which code, and how guessing is slowed down."""

import anyio
import pytest

from rakelight.screens import gate

CODE = "ABCDE-23456"


async def say_hello(scope, receive, send):
    """The simplest program behind the door."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"inside"})


@pytest.fixture(scope="module")
def code_hash() -> str:
    """The slow hash of the code, made once."""
    return gate.hash_code(CODE)


@pytest.fixture
def door(code_hash):
    """A door that asks for the code, open to one address of the shop's Wi-Fi."""
    return gate.Gate(say_hello, code_hash=code_hash, hosts=(*gate.LOCAL_HOSTS, "192.168.7.5"))


def knock(door, path="/", *, method="GET", body=b"", client="192.168.7.20", kind="http", **headers):
    """Return (status or close code, headers, body) of one request."""
    headers = {"host": "192.168.7.5:8501", "accept": "text/html"} | headers
    scope = {
        "type": kind, "path": path, "method": method, "client": (client, 1),
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
    }  # fmt: skip
    sent = []

    async def receive():
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message):
        sent.append(message)

    anyio.run(door, scope, receive, send)
    first = sent[0]
    given = {k.decode(): v.decode() for k, v in first.get("headers", [])}
    status = first.get("status", first.get("code", first["type"]))
    return status, given, b"".join(message.get("body", b"") for message in sent)


def enter(door, code, client="192.168.7.20"):
    """Type a code at the door."""
    return knock(door, gate.ENTER, method="POST", body=f"code={code}".encode(), client=client)


def test_code_opens_the_door_once_for_twelve_hours(door):
    """The right code gives a cookie that scripts cannot read, and the cookie lets in."""
    status, headers, _ = enter(door, "abcde 23456")
    assert (303, "/") == (status, headers["location"])
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert 200 == knock(door, cookie=cookie.split(";")[0])[0]


def test_nothing_is_shown_without_the_code(door):
    """A page leads to the door, a picture and an upload are refused, the live line is closed."""
    assert (303, gate.ENTER) == (knock(door)[0], knock(door)[1]["location"])
    assert 401 == knock(door, "/rl/tiles/x.jpg", accept="image/*")[0]
    assert 401 == knock(door, "/rl/upload/x/raking", method="POST")[0]
    assert 1008 == knock(door, "/_stcore/stream", kind="websocket")[0]


@pytest.mark.parametrize(
    "cookie",
    ["", "rakelight_pass=", "rakelight_pass=99999999999.00", "rakelight_pass=1.x", "a=b;;="],
)
def test_forged_cookie_does_not_open(door, cookie):
    """A cookie that this program did not sign is no pass."""
    assert 303 == knock(door, cookie=cookie)[0]


def test_a_pass_of_another_start_does_not_open(door, code_hash):
    """Every start signs with its own key."""
    other = gate.Gate(say_hello, code_hash=code_hash, hosts=("192.168.7.5",))
    cookie = enter(other, CODE)[1]["set-cookie"].split(";")[0]
    assert 303 == knock(door, cookie=cookie)[0]


def test_an_old_pass_does_not_open(door, monkeypatch):
    """After twelve hours the code is asked for again."""
    cookie = enter(door, CODE)[1]["set-cookie"].split(";")[0]
    now = gate.time.time()
    monkeypatch.setattr(gate.time, "time", lambda: now + 3600 * gate.PASS_HOURS + 1)
    assert 303 == knock(door, cookie=cookie)[0]


def test_guessing_is_slowed_down_per_device(door):
    """The sixth try of a device waits even with the right code; another device does not."""
    for _ in range(gate.TRIES_PER_ADDRESS):
        assert 401 == enter(door, "WRONG")[0]
    assert 429 == enter(door, CODE)[0]
    assert 303 == enter(door, CODE, client="192.168.7.21")[0]


def test_guessing_is_slowed_down_over_all_devices():
    """Thirty wrong codes from many devices make everyone wait, and five minutes later nobody."""
    tries = gate.Tries()
    assert all(tries.claim(f"192.168.7.{n}", now=0.0) for n in range(gate.TRIES_IN_ALL))
    assert not tries.claim("192.168.7.200", now=1.0)
    assert tries.claim("192.168.7.200", now=gate.TRIES_WITHIN_S + 2)


def test_many_tries_at_once_gain_nothing():
    """A try counts from the moment it begins, not when its answer is known."""
    tries = gate.Tries()
    claimed = [tries.claim("one", now=0.0) for _ in range(50)]
    assert gate.TRIES_PER_ADDRESS == sum(claimed)


@pytest.mark.parametrize("host", ["evil.example", "192.168.7.6:8501", "", "127.0.0.1.evil.example"])
def test_other_names_for_this_computer_are_refused(code_hash, host):
    """A web page that makes its own name point here gets nothing."""
    door = gate.Gate(say_hello, hosts=gate.LOCAL_HOSTS)
    assert 403 == knock(door, host=host)[0]


def test_other_pages_cannot_write(code_hash):
    """A page from elsewhere can neither post nor open the live line through this browser."""
    door = gate.Gate(say_hello, hosts=gate.LOCAL_HOSTS)
    elsewhere = {"host": "localhost:8501", "origin": "http://evil.example"}
    assert 403 == knock(door, method="POST", **elsewhere)[0]
    assert 1008 == knock(door, kind="websocket", **elsewhere)[0]
    same = {"host": "localhost:8501", "origin": "http://localhost:8501"}
    assert 200 == knock(door, method="POST", **same)[0]


def test_code_is_kept_as_a_slow_hash_only(code_hash):
    """The hash holds no part of the code, differs at every start, and tells right from wrong."""
    assert "ABCDE" not in code_hash
    assert code_hash != gate.hash_code(CODE)
    assert gate.is_code("abcde-23456", code_hash)
    assert not gate.is_code("ABCDE-23457", code_hash)


def test_codes_are_long_and_readable():
    """Ten signs of 31 give more than 49 bits, none of which can be mistaken for another."""
    codes = {gate.make_code() for _ in range(20)}
    assert 20 == len(codes)
    assert all(11 == len(code) and not set(code) & set("01OIL") for code in codes)
