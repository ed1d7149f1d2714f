"""One job: where each slab stands in its work, the next step, what was agreed, what was done."""

import datetime
from typing import Any

import streamlit as st

from rakelight.core.errors import RakelightError
from rakelight.core.units import parse_length_mm
from rakelight.log.history import correct_record
from rakelight.log.search import show_job
from rakelight.log.store import add_repair, add_slab
from rakelight.screens import drafts, frame, parts, shelf, wording

WAY = (
    ("photos", "Photos"), ("face", "Pits found"), ("plan", "Plan"), ("repair", "Repair"),
    ("change", "Before and after"), ("papers", "Hand over"),
)  # fmt: skip
_ACTIONS = ("fill", "fill_two_lifts", "slurry_coat", "hone_test_strip", "repair_by_eye")


def main() -> None:
    """Show the job that the address names."""
    log = frame.open_shelf()
    job = show_job(log, st.query_params.get("job", ""))
    with st.container(horizontal=True, gap="small"):
        frame.link("jobs", "Jobs")
        frame.link("logbook", "Log", job=job["uid"])
    st.title(wording.plain(job["name"]), anchor=False)
    told = [wording.plain(job[part]) for part in ("client", "site") if job[part]]
    if told:
        st.caption(" · ".join(told))
    for slab in job["slabs"]:
        show_slab(job, slab)
    with st.container(horizontal=True, gap="small"):
        if st.button("Add a slab"):
            ask_slab(job)
        if st.button("What was agreed"):
            ask_agreed(job)
        if st.button("Client and site"):
            ask_job(job)
    show_agreed(job)


def show_slab(job: dict[str, Any], slab: dict[str, Any]) -> None:
    """Show one slab: the way with what is done, why the next step is next, and its button."""
    seats = shelf.seats_of(slab, job["name"])
    standing = shelf.judge_standing(seats, slab["repairs"])
    with st.container(border=True, key=f"slab_{slab['uid']}"):
        st.header(wording.plain(slab["name"]), anchor=False)
        marks = []
        for name, title in WAY:
            sign = "✓" if name in standing.done else "➜" if name == standing.step else "○"
            mark = f"{sign} {title}".replace(" ", "\u00a0")
            marks.append(f"**{mark}**" if name == standing.step else mark)
        st.markdown(" &emsp;".join(marks))
        st.markdown(standing.words)
        if st.button(standing.button, type="primary", width="stretch", key=f"next_{slab['uid']}"):
            take_step(job, slab, standing)
        if seats:
            show_seats(seats)
            with st.container(horizontal=True, gap="small"):
                if st.button("Write down what was repaired", key=f"repaired_{slab['uid']}"):
                    ask_repair(job, slab)
                if standing.step != "photos" and st.button(
                    "New photos", key=f"shoot_{slab['uid']}"
                ):
                    begin_survey(job, slab, seats)


def take_step(job: dict[str, Any], slab: dict[str, Any], standing: shelf.Standing) -> None:
    """Go where the next step is done."""
    if standing.step == "photos":
        begin_survey(job, slab, shelf.seats_of(slab, job["name"]))
    frame.go(standing.step, look=standing.seat.look)


def begin_survey(job: dict[str, Any], slab: dict[str, Any], seats: list[shelf.Seat]) -> None:
    """Make a draft for this slab, with what its last survey knew, and turn to the photos."""
    size = ""
    if slab["width_mm"] and slab["height_mm"]:
        size = f"{slab['width_mm']:g} x {slab['height_mm']:g}"
    was = seats[-1].stage if seats else shelf.STAGES[0]
    stage = "after filling" if slab["repairs"] else was
    shop = frame.desk.read_shop()
    draft = drafts.make_draft(
        job=job["name"],
        slab=slab["name"],
        stage=stage,
        slab_size=size,
        smallest_mm=shop.smallest_mm,
    )
    frame.go("photos", survey=draft.uid)


def show_seats(seats: list[shelf.Seat]) -> None:
    """List what was measured so far."""
    for seat in reversed(seats):
        st.markdown(wording.plain(seat.title))
        with st.container(horizontal=True, gap="small"):
            frame.link("face", "Face", look=seat.look)
            frame.link("papers", "Papers", look=seat.look)


@st.dialog("Add a slab")
def ask_slab(job: dict[str, Any]) -> None:
    """Ask for a slab's name and size."""
    name = st.text_input("Name", value=f"slab {len(job['slabs']) + 1}")
    width = st.text_input("Left to right", placeholder="2400 or 8ft")
    depth = st.text_input("Front to back", placeholder="700 or 28in")
    if st.button("Add", type="primary", width="stretch"):
        try:
            sizes = {
                side: parse_length_mm(text)
                for side, text in (("width_mm", width), ("height_mm", depth)) if text.strip()
            }  # fmt: skip
            add_slab(frame.open_shelf(), job["uid"], name, who=frame.desk.read_shop().who, **sizes)
        except RakelightError as trouble:
            st.error(str(trouble))
            return
        st.rerun()


@st.dialog("Client and site")
def ask_job(job: dict[str, Any]) -> None:
    """Ask for what stands at the head of the papers."""
    values = {
        "client": st.text_input("For whom", job["client"]),
        "site": st.text_input("Where", job["site"]),
        "words": st.text_area("In their own words", job["words"]),
    }
    if st.button("Keep", type="primary", width="stretch"):
        correct_record(
            frame.open_shelf(), "job", job["uid"], values, who=frame.desk.read_shop().who
        )
        st.rerun()


@st.dialog("What was agreed with the client")
def ask_agreed(job: dict[str, Any]) -> None:
    """Ask for the limits; without them nothing is ever called passed or failed."""
    kept = job["agreed"]
    st.markdown("Agree on this **before** pouring. Leave a line empty when it was not agreed.")
    units = frame.desk.read_shop().units
    smallest = parts.ask_length(
        "Smallest pit that counts",
        kept.get("smallest_mm"),
        (0.1, 20.0),
        units=units,
        key="smallest",
    )
    per_m2 = st.number_input("At most so many pits per m²", 0.0, None, kept.get("per_m2"))
    share = st.number_input(
        "At most so much open area, per cent", 0.0, 100.0, kept.get("area_percent")
    )
    largest = parts.ask_length(
        "No pit larger than", kept.get("largest_mm"), (0.1, 200.0), units=units, key="largest"
    )
    distance = parts.ask_length(
        "Looked at from", kept.get("viewing_distance_mm", 600.0), (100.0, 10000.0), units=units,
        key="distance", help="A top is used at arm's length, about 600 mm or 2 ft.",
    )  # fmt: skip
    sample = st.text_input("Approved sample", kept.get("sample", ""))
    signed = kept.get("signed_on")
    signed_on = st.date_input("Signed on", datetime.date.fromisoformat(signed) if signed else None)
    if st.button("Keep", type="primary", width="stretch"):
        said = {
            "smallest_mm": smallest, "per_m2": per_m2, "area_percent": share, "largest_mm": largest,
            "viewing_distance_mm": distance, "sample": sample or None,
            "signed_on": signed_on.isoformat() if signed_on else None,
        }  # fmt: skip
        keep_agreed(job, {name: value for name, value in said.items() if value is not None})


def keep_agreed(job: dict[str, Any], said: dict[str, Any]) -> None:
    """Keep what was agreed when it can be held against a face; else say what is missing."""
    from rakelight.grade.agreed import parse_agreed

    more = {
        name: job["agreed"][name]
        for name in ("faces", "zones", "window_mm")
        if name in job["agreed"]
    }
    try:
        if set(said) - {"viewing_distance_mm"}:
            parse_agreed(shelf.write_toml(said | more))
        else:
            said, more = {}, {}
        correct_record(
            frame.open_shelf(), "job", job["uid"], {"agreed": said | more},
            who=frame.desk.read_shop().who,
        )  # fmt: skip
    except RakelightError as trouble:
        st.error(str(trouble))
        return
    st.rerun()


def show_agreed(job: dict[str, Any]) -> None:
    """Show what was agreed in a line, or that nothing was."""
    agreed = job["agreed"]
    if not agreed:
        st.caption("Nothing was agreed yet, so nothing is called passed or failed.")
        return
    names = {
        "smallest_mm": "counts from {} mm", "per_m2": "at most {} per m²", "area_percent": "at most {} % open",
        "largest_mm": "none above {} mm", "viewing_distance_mm": "seen from {} mm",
    }  # fmt: skip
    told = [words.format(f"{agreed[name]:g}") for name, words in names.items() if name in agreed]
    st.caption("Agreed: " + ", ".join(told) + ".")


@st.dialog("What was repaired")
def ask_repair(job: dict[str, Any], slab: dict[str, Any]) -> None:
    """Ask what was really done, so that the shop's own times come from its own work."""
    action = st.selectbox("Done", _ACTIONS, format_func=wording.say_action)
    n_pits = st.number_input("Pits", 0, 100_000, None)
    area = st.number_input("Area coated, m²", 0.0, 1000.0, None)
    minutes = st.number_input("Minutes it took", 0.0, 10_000.0, None)
    grams = st.number_input("Paste used, g", 0.0, 1_000_000.0, None)
    material = st.text_input("Filler")
    if st.button("Write it down", type="primary", width="stretch"):
        done = {
            "n_pits": n_pits,
            "area_m2": area,
            "minutes": minutes,
            "grams": grams,
            "material": material,
        }
        said = {name: value for name, value in done.items() if value not in (None, "")}
        add_repair(
            frame.open_shelf(),
            job["uid"],
            slab["name"],
            action,
            who=frame.desk.read_shop().who,
            **said,
        )
        st.rerun()


frame.guard(main)
