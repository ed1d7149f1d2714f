"""The first page: every job and where it stands, and the ways to begin."""

import streamlit as st

from rakelight.core.errors import LogError
from rakelight.log.search import list_jobs, show_job
from rakelight.log.store import add_job, add_slab
from rakelight.screens import drafts, frame, shelf, wording

_SHOWN = 12


def main() -> None:
    """Show the jobs, the latest first."""
    with st.container(horizontal=True, vertical_alignment="center", key="head"):
        st.title("Jobs", anchor=False)
        frame.link("logbook", "Log")
        frame.link("shop", "Shop")
    with st.container(horizontal=True, gap="small"):
        if st.button("One photo, straight to the work sheet", type="primary"):
            frame.go("photos")
        if st.button("New job"):
            ask_new_job()
    show_unfinished()
    show_jobs()


@st.dialog("New job")
def ask_new_job() -> None:
    """Ask for a name and the first slab; everything else can follow on the job's page."""
    name = st.text_input("Name of the job", placeholder="Studio bench")
    slab = st.text_input("First slab", value="slab 1", help="One cast piece. More can follow.")
    client = st.text_input("For whom (may stay empty)")
    if st.button("Begin", type="primary", width="stretch", disabled=not name.strip()):
        log, who = frame.open_shelf(), frame.desk.read_shop().who
        try:
            uid = add_job(log, name.strip(), who=who, client=client.strip())
            add_slab(log, uid, slab.strip() or "slab 1", who=who)
        except LogError as trouble:
            st.error(str(trouble))
            return
        frame.go("job", job=uid)


def show_unfinished() -> None:
    """Show surveys whose photos are kept but which were never measured to the end."""
    open_ones = [d for d in drafts.list_drafts()[:30] if d.photos and not is_done(d)][:3]
    if not open_ones:
        return
    st.header("Not finished", anchor=False)
    for draft in open_ones:
        with st.container(horizontal=True, vertical_alignment="center", border=True):
            name = draft.slab or draft.photos[0].name
            st.markdown(f"**{wording.plain(name)}** {wording.plain(draft.job)}: photos are kept.")
            frame.link("photos", "Go on", survey=draft.uid)


def is_done(draft: drafts.Draft) -> bool:
    """Whether a draft has been measured."""
    return frame.desk.read_progress("measure", draft.uid).state == "done"


def show_jobs() -> None:
    """Show each job with where its first open slab stands and the next step."""
    log = frame.open_shelf()
    table = list_jobs(log)
    if table.empty:
        st.info("No job yet. Begin with one photo, or make a job for a client's slabs.")
        return
    for row in table.head(_SHOWN).itertuples():
        show_job_row(row)
    if len(table) > _SHOWN:
        frame.link("logbook", f"{len(table) - _SHOWN} older jobs are in the log")


def show_job_row(row) -> None:
    """Show one job: name, client, what was seen last, the next step."""
    job = show_job(frame.open_shelf(), row.uid)
    with st.container(border=True, key=f"job_{row.uid}"):
        told = ", ".join(wording.plain(part) for part in (row.client, row.site) if part)
        st.header(wording.plain(row.job), anchor=False)
        words = [told] if told else []
        for slab in job["slabs"]:
            seats = shelf.seats_of(slab, row.job)
            last = seats[-1].title if seats else "no photo yet"
            words.append(f"{wording.plain(slab['name'])}: {last}")
        st.caption(" · ".join(words[:4]))
        frame.link("job", "Open", job=row.uid)


frame.guard(main)
