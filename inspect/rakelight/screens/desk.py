"""The desk: where drafts and looks lie on the disk, and how far each errand is.

The browser knows things by their id only. Every path is made here from ids, never from a name
that somebody sent.

    <desk>/drafts/<id>/    a survey on its way: photos and what was said (drafts.py)
    <desk>/looks/<id>/     an inspection of the log as it is looked at: tiles, papers (looks.py)
    <desk>/pairs/<id>/     two inspections side by side (looks.py)
    <desk>/shop.json       the shop's own name, units, paper, language
"""

import contextlib
import json
import math
import os
import re
import secrets
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rakelight.core.errors import SettingsError

ENVIRONMENT = "RAKELIGHT_DESK"
KINDS = ("drafts", "looks", "pairs")
ERRANDS = {"check": "drafts", "measure": "drafts", "settle": "looks", "compare": "pairs"}
"""What can be worked out, and whether it belongs to a draft, a look or a pair."""

STATES = ("open", "waiting", "working", "done", "failed", "stopped")
_UID = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class Progress:
    """How far an errand is. state : one of STATES; step, sentence : words for the person.

    result : id of what came of it, such as the inspection in the log.
    """

    state: str = "open"
    step: str = ""
    share: float = 0.0
    sentence: str = ""
    started_at: float = math.nan
    ended_at: float = math.nan
    result: str = ""

    @property
    def is_under_way(self) -> bool:
        """Whether it waits or is being worked on."""
        return self.state in ("waiting", "working")


@dataclass(frozen=True, slots=True)
class Shop:
    """What holds for every job of the shop."""

    name: str = ""
    who: str = ""
    units: str = "mm"
    paper: str = "a4"
    language: str = "en"
    smallest_mm: float = 1.0


def desk_folder() -> Path:
    """Return the desk: $RAKELIGHT_DESK, else beside the job log."""
    if os.environ.get(ENVIRONMENT):
        return Path(os.environ[ENVIRONMENT]).expanduser()
    from rakelight.log.connection import default_folder

    return default_folder() / "desk"


def make_uid() -> str:
    """Return a new id that nobody can guess."""
    return secrets.token_hex(16)


def find_folder(kind: str, uid: str) -> Path:
    """Return the folder of a draft, look or pair; an id that is not ours is a SettingsError."""
    if kind not in KINDS or not _UID.fullmatch(uid or ""):
        raise SettingsError("This address leads nowhere; start again from the list of jobs.")
    return desk_folder() / kind / uid


def read_progress(what: str, uid: str) -> Progress:
    """Return how far an errand is; one that was never started is `open`."""
    plain = read_plain(_place_progress(what, uid))
    with contextlib.suppress(TypeError):
        return Progress(**{k: math.nan if v is None else v for k, v in plain.items()})
    return Progress()


def write_progress(what: str, uid: str, progress: Progress) -> None:
    """Keep how far an errand is."""
    plain = {k: None if v != v else v for k, v in asdict(progress).items()}
    write_plain(_place_progress(what, uid), plain)


def end_progress(what: str, uid: str, state: str, sentence: str = "", result: str = "") -> None:
    """Write how an errand ended."""
    was = read_progress(what, uid)
    share = 1.0 if state == "done" else was.share
    ended = Progress(state, "", share, sentence, was.started_at, time.time(), result)
    write_progress(what, uid, ended)


def _place_progress(what: str, uid: str) -> Path:
    if what not in ERRANDS:
        raise SettingsError("This address leads nowhere; start again from the list of jobs.")
    return find_folder(ERRANDS[what], uid) / f"{what}.json"


def read_shop() -> Shop:
    """Return what holds for every job; the defaults until something was said."""
    plain = read_plain(desk_folder() / "shop.json")
    known = {name: plain[name] for name in Shop.__slots__ if name in plain}
    return Shop(**known)


def write_shop(shop: Shop) -> None:
    """Keep what holds for every job."""
    write_plain(desk_folder() / "shop.json", asdict(shop))


def read_plain(path: Path) -> dict[str, Any]:
    """Return the values of a small file; none when it is missing or damaged."""
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return plain if isinstance(plain, dict) else {}


def write_plain(path: Path, plain: dict[str, Any]) -> None:
    """Keep a small file whole: a crash leaves the old one or the new one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    passing = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        passing.write_text(json.dumps(plain, indent=1), encoding="utf-8")
        os.replace(passing, path)
    finally:
        passing.unlink(missing_ok=True)
