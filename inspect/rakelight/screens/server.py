"""What the server does besides showing pages: pictures, downloads and uploads, all by id.

Nothing a browser sends ever becomes a path: ids are checked against their pattern, names against
short lists, numbers are numbers.
"""

import tomllib
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from rakelight.core.errors import RakelightError
from rakelight.core.tables import INSPECTION_FILES

from . import desk, drafts, looks, previews
from .gate import Gate, read_gate

HERE = Path(__file__).parent
WAY = HERE / "way.py"
ASSETS = HERE / "assets"
FONTS = HERE.parent / "data" / "fonts"
PAIR_FILES = ("change.csv", "change.png", "before_after.png", "report.pdf", "report.html")
_SHOWN_AS = {
    ".pdf": "application/pdf", ".csv": "text/csv", ".png": "image/png", ".jpg": "image/jpeg",
    ".json": "application/json", ".geojson": "application/geo+json", ".html": "text/html",
    ".zip": "application/zip", ".js": "text/javascript", ".ttf": "font/ttf",
}  # fmt: skip
_FRESH_HEADER = "x-rakelight"
_KEEP = {"cache-control": "private, max-age=86400"}
_ASK_AGAIN = {"cache-control": "private, no-cache"}


def describe_app() -> dict[str, Any]:
    """Return the arguments of `st.App` besides the page script."""
    return {
        "on_script_error": say_crash,
        "middleware": [Middleware(Gate, **read_gate())],
        "routes": [
            Route("/rl/assets/{name}", send_asset),
            Route(
                "/rl/tiles/{kind}/{uid}/{picture}/{level:int}/{col:int}_{row:int}.jpg", send_tile
            ),
            Route("/rl/preview/{uid}/{kind}.jpg", send_preview),
            Route("/rl/paper/{uid}/{name}", send_paper),
            Route("/rl/pair/{uid}/{name}", send_pair),
            Route("/rl/upload/{uid}/{kind}", take_upload, methods=["POST"]),
        ],
    }


def _plain_trouble(route):
    """Turn what a person can act on into one sentence with code 400, and a missing file into 404."""

    async def answering(request: Request) -> Response:
        try:
            return await route(request)
        except RakelightError as trouble:
            return JSONResponse({"sentence": str(trouble)}, status_code=400)
        except FileNotFoundError:
            return PlainTextResponse("This is not here.", status_code=404)

    return answering


@_plain_trouble
async def send_asset(request: Request) -> Response:
    """Send a script or a font that comes with the program."""
    name = request.path_params["name"]
    for folder in (ASSETS, FONTS):
        if name in {path.name for path in folder.iterdir()}:
            return _send(folder / name, _KEEP)
    raise FileNotFoundError(name)


@_plain_trouble
async def send_tile(request: Request) -> Response:
    """Send one tile of a picture."""
    asked = request.path_params
    if asked["picture"] not in ("face", "raking", "soft"):
        raise FileNotFoundError(asked["picture"])
    folder = looks.tiles_folder(asked["kind"], asked["uid"], asked["picture"])
    return _send(folder / str(asked["level"]) / f"{asked['col']}_{asked['row']}.jpg", _KEEP)


@_plain_trouble
async def send_preview(request: Request) -> Response:
    """Send a photo of a draft, small enough for a phone."""
    draft = drafts.load_draft(request.path_params["uid"])
    photo = draft.find_photo(request.path_params["kind"])
    if photo is None:
        raise FileNotFoundError("photo")
    path = await run_in_threadpool(previews.keep_preview, draft.uid, photo)
    if path is None:
        raise FileNotFoundError("preview")
    return _send(path, _KEEP)


@_plain_trouble
async def send_paper(request: Request) -> Response:
    """Send one file of a look, or all of them as a zip."""
    uid, name = request.path_params["uid"], request.path_params["name"]
    folder = looks.papers_folder(uid)
    if name == "inspection.zip":
        return _send(await run_in_threadpool(looks.pack_papers, uid), _ASK_AGAIN, name)
    if name not in INSPECTION_FILES:
        raise FileNotFoundError(name)
    return _send(folder / name, _ASK_AGAIN, name)


@_plain_trouble
async def send_pair(request: Request) -> Response:
    """Send one file of a comparison, or one picture of its slider."""
    uid, name = request.path_params["uid"], request.path_params["name"]
    folder = desk.find_folder("pairs", uid)
    if name in ("before.jpg", "after.jpg"):
        return _send(folder / name, _ASK_AGAIN)
    if name not in PAIR_FILES:
        raise FileNotFoundError(name)
    return _send(folder / "papers" / name, _ASK_AGAIN, name)


@_plain_trouble
async def take_upload(request: Request) -> Response:
    """Take a photo piece by piece straight to the disk; it is never in memory whole."""
    if _FRESH_HEADER not in request.headers:
        # A page elsewhere cannot set this header, so it cannot send files in this person's name.
        return PlainTextResponse("Send photos from the Photos page.", status_code=403)
    uid, kind = request.path_params["uid"], request.path_params["kind"]
    with drafts.Intake(uid, request.query_params.get("name", ""), kind) as intake:
        async for piece in request.stream():
            await run_in_threadpool(intake.write, piece)
        photo = await run_in_threadpool(intake.keep)
    return JSONResponse({"sha256": photo.sha256, "n_bytes": photo.n_bytes})


def _send(path: Path, headers: dict[str, str], name: str = "") -> Response:
    if not path.is_file():
        raise FileNotFoundError(path.name)
    shown_as = _SHOWN_AS.get(path.suffix, "application/octet-stream")
    # Pages and pictures open where they can be printed; the rest is saved.
    is_shown = path.suffix in (".pdf", ".png")
    kept = "inline" if is_shown else "attachment"
    return FileResponse(
        path, media_type=shown_as, headers=headers, filename=name or None,
        content_disposition_type=kept,
    )  # fmt: skip


def say_crash(_trouble: Exception) -> bool:
    """Show one sentence instead of the program's own words; the log of the program keeps those."""
    import streamlit as st

    st.error(
        "This page met something it does not know. Your photos and results are kept: load the page "
        "again, and report it with what the window of the program says."
    )
    return True


def read_config() -> dict[str, Any]:
    """Return the server's settings and colours by dotted name, from `config.toml` beside this file."""
    tree = tomllib.loads((HERE / "config.toml").read_text(encoding="utf-8"))
    return dict(_flatten(tree))


def _flatten(tree: dict[str, Any], start: str = ""):
    for name, value in tree.items():
        if isinstance(value, dict):
            yield from _flatten(value, f"{start}{name}.")
        else:
            yield f"{start}{name}", value
