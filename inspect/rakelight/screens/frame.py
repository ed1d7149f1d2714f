"""What every page shares: the open log, the bench, the head with the way, waiting for an errand."""

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import streamlit as st

from rakelight.core.errors import RakelightError
from rakelight.core.tables import InspectionTables, read_inspection_tables
from rakelight.log.connection import Log, open_log
from rakelight.log.search import list_jobs

from . import desk, drafts, looks, shelf, wording
from .bench import Bench

STEPS = (
    ("photos", "Photos"),
    ("face", "Face"),
    ("tone", "Tone"),
    ("plan", "Plan"),
    ("change", "Before and after"),
    ("papers", "Papers"),
)
STYLE = desk.Path(__file__).parent / "assets" / "page.css"


@lru_cache(maxsize=1)
def open_bench() -> Bench:
    """Return the one bench of this program."""
    return Bench()


@lru_cache(maxsize=1)
def open_shelf() -> Log:
    """Return the one open job log of this program."""
    return open_log()


def close_shelf() -> None:
    """Close the log, so that the next page opens it anew."""
    if open_shelf.cache_info().currsize:
        open_shelf().close()
    open_shelf.cache_clear()


def page_file(name: str) -> str:
    """Return the file of a page, as links name it."""
    return str(desk.Path(__file__).parent / f"{name}.py")


def go(name: str, **params: str) -> None:
    """Turn to another page, which finds its place by the ids in its address."""
    st.switch_page(page_file(name), query_params={k: v for k, v in params.items() if v})


def link(name: str, label: str, *, is_off: bool = False, **params: str) -> None:
    """Show a link to another page."""
    asked = {k: v for k, v in params.items() if v}
    st.page_link(page_file(name), label=label, query_params=asked, disabled=is_off)


def guard(page: Callable[[], None]) -> None:
    """Run a page; what a person can act on is one sentence and a way back."""
    try:
        page()
    except RakelightError as trouble:
        st.error(str(trouble))
        link("jobs", "Back to the jobs")


def find_seat() -> shelf.Seat:
    """Return the inspection that the address names; a LogError when there is none."""
    return shelf.find_seat(open_shelf(), st.query_params.get("look", ""))


def show_way(current: str, *, look: str = "", survey: str = "") -> None:
    """Show the steps of the way with the present one marked; steps not open yet are pale."""
    with st.container(horizontal=True, gap="small", key="way"):
        link("jobs", "Jobs")
        for name, title in STEPS:
            is_here = name == current
            is_off = not look and name != "photos"
            label = f"**{title}**" if is_here else title
            link(name, label, is_off=is_off, look=look, survey=survey)


def show_seat(seat: shelf.Seat, current: str) -> None:
    """Show the head of a page about one inspection: whose it is, and the way."""
    show_way(current, look=seat.look)
    told = (seat.job, seat.slab, seat.stage)
    st.caption(" · ".join([*(wording.plain(part) for part in told if part), seat.day]))


def offer_next(name: str, label: str, **params: str) -> None:
    """Show the one big button that leads on."""
    if st.button(label, type="primary", width="stretch", key=f"on_to_{name}"):
        go(name, **params)


def follow(what: str, uid: str, *, is_quiet: bool = False) -> desk.Progress:
    """Return how far an errand is; while it is under way, show that and a way to stop it."""
    bench = open_bench()
    progress = bench.look_up(what, uid)
    if progress.is_under_way:
        _watch(what, uid)
    elif progress.state in ("failed", "stopped") and not is_quiet:
        (st.error if progress.state == "failed" else st.info)(progress.sentence)
    return progress


@st.fragment(run_every=0.8)
def _watch(what: str, uid: str) -> None:
    bench = open_bench()
    progress = bench.look_up(what, uid)
    if not progress.is_under_way:
        st.rerun()
    step = progress.step or "waiting for its turn"
    st.progress(progress.share, f"{step[:1].upper()}{step[1:]} …")
    if st.button("Stop", key=f"stop_{what}"):
        bench.stop(what, uid)
        st.rerun()


def settle(seat: shelf.Seat) -> bool:
    """Return whether a look's papers hold what was decided; start to write them when they do not.

    While they are being written the older ones stay readable. Work on what has been overtaken
    by a newer decision is stopped, so that nobody waits for papers that are of no use.
    """
    decisions = shelf.read_decisions(open_shelf(), seat.look)
    mark = looks.fingerprint(seat.look, decisions, desk.read_shop())
    bench = open_bench()
    progress = bench.look_up("settle", seat.look)
    if progress.is_under_way and looks.read_settling(seat.look) != mark:
        bench.stop("settle", seat.look)
        progress = desk.Progress()
    if looks.is_up_to_date(seat.look, mark) and not progress.is_under_way:
        return True
    failed_mark = st.session_state.get("failed_mark")
    if progress.state in ("failed", "stopped") and failed_mark == mark:
        st.error(progress.sentence)
        if st.button("Work it out again", key="settle_again"):
            st.session_state.pop("failed_mark")
            st.rerun()
        return False
    if not progress.is_under_way:
        st.session_state["failed_mark"] = mark
        looks.note_settling(seat.look, mark)
        bench.start("settle", seat.look)
    if bench.look_up("settle", seat.look).is_under_way:
        _watch("settle", seat.look)
    return False


def find_job_uid(job: str) -> str:
    """Return the id of a job by its name."""
    table = list_jobs(open_shelf())
    return next(iter(table.loc[table["job"] == job, "uid"]), "")


def find_drafts(look: str) -> list[str]:
    """Return the drafts of this machine that led to an inspection, the latest first."""
    return [
        d.uid for d in drafts.list_drafts() if desk.read_progress("measure", d.uid).result == look
    ]


def read_tables(look: str) -> InspectionTables:
    """Return the tables of a look, read once for everybody until they are written anew."""
    folder = looks.papers_folder(look)
    return _read_tables(folder, (folder / "summary.json").stat().st_mtime_ns)


@lru_cache(maxsize=6)
def _read_tables(folder: desk.Path, _written_ns: int) -> InspectionTables:
    return read_inspection_tables(folder)


def read_extras(look: str) -> dict[str, Any]:
    """Return what the screens show beyond the ten files."""
    return desk.read_plain(desk.find_folder("looks", look) / "extras.json")
