"""Log: find an old job again, take one along as a bundle, bring one in."""

import tempfile
from pathlib import Path

import streamlit as st

from rakelight.core.errors import RakelightError
from rakelight.log.bundle import export_job
from rakelight.log.history import delete_record, undelete_record
from rakelight.log.merge import import_job
from rakelight.log.search import Question, list_jobs, search_log
from rakelight.screens import frame, parts, shelf, wording


def main() -> None:
    """Search the log, and move jobs in and out."""
    with st.container(horizontal=True, gap="small"):
        frame.link("jobs", "Jobs")
    st.title("Log", anchor=False)
    search()
    st.header("Jobs", anchor=False)
    show_jobs()
    bring_in()


def search() -> None:
    """Ask what is looked for and list what answers."""
    with st.form("search", border=True):
        with st.container(horizontal=True, gap="small"):
            words = st.text_input("Job, client, site or note")
            stage = st.selectbox("Stage", ["", *shelf.STAGES])
            month = st.text_input("Month", placeholder="2026-11")
        with st.container(horizontal=True, gap="small"):
            mix = st.text_input("Mix")
            units = frame.desk.read_shop().units
            size = parts.ask_length(
                "Holds a pit of at least", None, (0.0, 200.0), units=units, key="least"
            )
            is_reopened = st.toggle("Fills opened again")
        is_asked = st.form_submit_button("Search", type="primary")
    if not is_asked:
        return
    question = Question(
        job=words,
        stage=stage,
        month=month,
        mix=mix,
        min_size_mm=size or None,
        is_reopened=is_reopened,
    )
    found = search_log(frame.open_shelf(), question)
    st.caption(f"{len(found)} found")
    for row in found.head(50).itertuples():
        with st.container(horizontal=True, gap="small", vertical_alignment="center"):
            st.markdown(
                f"{wording.plain(row.job)} · {wording.plain(row.slab)} · {wording.plain(row.stage)} · {row.day}: "
                f"{row.n_pits} pits"
            )
            frame.link("face", "Open", look=row.inspection)


def show_jobs() -> None:
    """List all jobs with their bundle, and let one be put away or brought back."""
    log = frame.open_shelf()
    for row in list_jobs(log).itertuples():
        with st.container(horizontal=True, gap="small", vertical_alignment="center"):
            st.markdown(f"**{wording.plain(row.job)}** {row.last_day}")
            frame.link("job", "Open", job=row.uid)
            st.download_button(
                "Take along (bundle)", lambda uid=row.uid: pack_job(uid), "job.rakelight.zip",
                "application/zip", key=f"bundle_{row.uid}", on_click="ignore",
            )  # fmt: skip
            if st.button("Put away", key=f"away_{row.uid}"):
                delete_record(log, "job", row.uid, who=frame.desk.read_shop().who)
                st.rerun()
    away = list_jobs(log, is_deleted=True)
    if len(away):
        with st.expander(f"Put away: {len(away)}"):
            for row in away.itertuples():
                with st.container(horizontal=True, gap="small", vertical_alignment="center"):
                    st.markdown(wording.plain(row.job))
                    if st.button("Bring back", key=f"back_{row.uid}"):
                        undelete_record(log, "job", row.uid, who=frame.desk.read_shop().who)
                        st.rerun()


def pack_job(uid: str) -> bytes:
    """Return one job with its photos as one checked file."""
    with tempfile.TemporaryDirectory() as folder:
        return export_job(frame.open_shelf(), uid, Path(folder) / "job.zip").read_bytes()


def bring_in() -> None:
    """Take a bundle from another computer into the log."""
    st.header("Bring a job in", anchor=False)
    sent = st.file_uploader("Bundle of a job", type=["zip", "rakelight"], key="bundle")
    if sent is None or not st.button("Take it into the log", type="primary"):
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.zip"
        with path.open("wb") as file:
            while piece := sent.read(1 << 20):
                file.write(piece)
        try:
            taken = import_job(frame.open_shelf(), path, who=frame.desk.read_shop().who)
        except RakelightError as trouble:
            st.error(str(trouble))
            return
    st.success(f"Taken in: {getattr(taken, 'name', 'the job')}.")


frame.guard(main)
