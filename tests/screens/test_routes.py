"""Pictures, papers and uploads by id: what is sent, what is refused, and that nothing becomes a path."""

import json

import anyio
import pytest
from starlette.applications import Starlette

from rakelight.core.tables import INSPECTION_FILES
from rakelight.screens import desk, drafts, server


@pytest.fixture(scope="module")
def routes():
    """The routes of the screens, without the pages."""
    return Starlette(routes=server.describe_app()["routes"])


def ask(app, path, *, method="GET", pieces=(b"",), query="", headers=()):
    """Return (status, headers, body) of one request whose body comes in pieces."""
    scope = {
        "type": "http", "path": path, "raw_path": path.encode(), "method": method, "headers": list(headers),
        "query_string": query.encode(), "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 1),
        "scheme": "http", "root_path": "", "http_version": "1.1",
    }  # fmt: skip
    waiting, sent = list(pieces), []

    async def receive():
        if not waiting:
            await anyio.sleep_forever()  # a browser that waits for its answer
        piece = waiting.pop(0)
        return {"type": "http.request", "body": piece, "more_body": bool(waiting)}

    async def send(message):
        sent.append(message)

    anyio.run(app, scope, receive, send)
    given = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], given, b"".join(m.get("body", b"") for m in sent[1:])


OURS = ((b"x-rakelight", b"1"),)


def test_an_upload_lands_in_its_draft(home, routes):
    """Pieces arrive one by one and the photo lies whole in the draft."""
    draft = drafts.make_draft()
    pieces = [bytes([n]) * 1000 for n in range(20)]
    status, _, body = ask(
        routes, f"/rl/upload/{draft.uid}/raking", method="POST", pieces=pieces, query="name=a%20b.jpg",
        headers=OURS,
    )  # fmt: skip
    photo = drafts.load_draft(draft.uid).find_photo("raking")
    assert (200, 20000) == (status, json.loads(body)["n_bytes"])
    assert "a b.jpg" == photo.name
    assert b"".join(pieces) == drafts.place_photo(draft.uid, photo).read_bytes()


def test_an_upload_from_elsewhere_is_refused(home, routes):
    """Without the header that only our own page can set nothing is written."""
    draft = drafts.make_draft()
    status, *_ = ask(routes, f"/rl/upload/{draft.uid}/raking", method="POST", query="name=a.jpg")
    assert 403 == status
    assert () == drafts.load_draft(draft.uid).photos


@pytest.mark.parametrize(
    ("uid", "kind", "name"),
    [
        ("f" * 32, "raking", "a.jpg"),
        (None, "raking", "a.exe"),
        (None, "other", "a.jpg"),
        ("..", "raking", "a.jpg"),
    ],
)
def test_a_wrong_upload_is_told(home, routes, uid, kind, name):
    """An unknown draft, a file that is no photo and an unknown light are each one sentence."""
    uid = uid or drafts.make_draft().uid
    status, _, body = ask(
        routes,
        f"/rl/upload/{uid}/{kind}",
        method="POST",
        pieces=[b"x"],
        query=f"name={name}",
        headers=OURS,
    )
    assert 400 == status
    assert json.loads(body)["sentence"].endswith(".")


def test_a_broken_upload_leaves_nothing(home, routes):
    """When the connection breaks half way, the draft is as before and no part lies about."""
    draft = drafts.make_draft()
    intake = drafts.Intake(draft.uid, "a.jpg")
    with pytest.raises(RuntimeError), intake:
        intake.write(b"half")
        raise RuntimeError("the line went dead")
    assert [] == list(desk.find_folder("drafts", draft.uid).rglob("*.part"))
    assert () == drafts.load_draft(draft.uid).photos


def test_papers_are_sent_by_name(look, routes):
    """Each of the ten files and the zip is sent; PDFs open, tables are saved."""
    for name in (*INSPECTION_FILES, "inspection.zip"):
        status, headers, body = ask(routes, f"/rl/paper/{look}/{name}")
        assert (200, True) == (status, len(body) > 0), name
        kept = "inline" if name.endswith((".pdf", ".png")) else "attachment"
        assert headers["content-disposition"].startswith(kept)


@pytest.mark.parametrize(
    "path",
    [
        "/rl/paper/{look}/made_of.json", "/rl/paper/{look}/..%2Fextras.json", "/rl/paper/{look}/../extras.json",
        "/rl/paper/../drafts/pits.csv", "/rl/paper/{nobody}/pits.csv", "/rl/assets/server.py",
        "/rl/assets/..%2Fserver.py", "/rl/tiles/looks/{look}/face/0/0_0.jpg", "/rl/tiles/looks/{look}/papers/9/0_0.jpg",
        "/rl/tiles/shop/{look}/face/9/0_0.jpg", "/rl/preview/{look}/raking.jpg", "/rl/pair/{look}/pair.json",
    ],
)  # fmt: skip
def test_nothing_else_is_sent(look, routes, path):
    """Files that are not offered, other folders and unknown ids give no content of the disk."""
    status, _, body = ask(routes, path.format(look=look, nobody="f" * 32))
    assert status in (400, 404)
    assert len(body) < 300


def test_tiles_of_the_face_are_sent(look, routes):
    """The lowest tile is a JPEG that the browser may keep."""
    from rakelight.screens import looks, tiles

    low = tiles.read_info(looks.tiles_folder("looks", look))["low"]
    status, headers, body = ask(routes, f"/rl/tiles/looks/{look}/face/{low}/0_0.jpg")
    assert (200, b"\xff\xd8") == (status, body[:2])
    assert "max-age" in headers["cache-control"] and "private" in headers["cache-control"]


def test_preview_is_made_once(home, routes, make_draft, photo_jpeg):
    """The small picture of a photo is kept beside it; the photo itself is not touched."""
    draft = make_draft(photo_jpeg)
    status, _, body = ask(routes, f"/rl/preview/{draft.uid}/raking.jpg")
    assert (200, b"\xff\xd8") == (status, body[:2])
    path = drafts.place_photo(draft.uid, draft.find_photo("raking"))
    assert photo_jpeg == path.read_bytes()
    assert 1 == len(list(path.parent.glob("*.preview.jpg")))


def test_no_page_asks_the_internet():
    """Our scripts, styles and pages name no address outside; OpenSeadragon's own lists are never asked."""
    import re

    for path in server.ASSETS.iterdir():
        if path.suffix in (".js", ".css", ".html", ".svg") and "openseadragon" not in path.name:
            found = re.findall(r"https?://[^\s\"'`)]+", path.read_text(encoding="utf-8"))
            assert [] == [u for u in found if not u.startswith("http://www.w3.org/")], path.name
