"""Before and after: what closed, what sank, what opened, and what needs work again."""

import pandas as pd
import streamlit as st

from rakelight.core.records import CHANGE_COLUMNS
from rakelight.core.tables import parse_csv
from rakelight.report.words import load_words
from rakelight.screens import charts, desk, frame, looks, parts, shelf, wording

_STATE_WORDS = {
    "closed": "closed",
    "dished": "dished (sank)",
    "open": "still open",
    "new": "new",
    "unseen": "could not be seen",
}


def main() -> None:
    """Hold the inspection that the address names against an earlier one of the same slab."""
    seat = frame.find_seat()
    frame.show_seat(seat, "change")
    st.title("Before and after", anchor=False)
    seats = [s for s in shelf.list_seats(frame.open_shelf(), seat.job) if s.slab == seat.slab]
    if len(seats) < 2:
        st.info(
            "There is only one survey of this slab. After the repair, take the same photos again with the "
            "lamp on the same side; then this page shows what closed."
        )
        frame.link("job", "To the job", job=frame.find_job_uid(seat.job))
        return
    before, after = choose_two(seats, seat)
    if before == after:
        st.info("Choose two different surveys.")
        return
    pair = prepare_pair(before, after)
    progress = frame.follow("compare", pair)
    if progress.state in ("open", "stopped", "failed") and st.button("Compare", type="primary"):
        frame.open_bench().start("compare", pair)
        st.rerun()
    if progress.state == "done":
        show_pair(pair, before, after)


def choose_two(seats: list[shelf.Seat], seat: shelf.Seat) -> tuple[shelf.Seat, shelf.Seat]:
    """Let the person choose which survey is held against which; the latest two at first."""
    looks_of = [s.look for s in seats]
    titles = {s.look: s.title for s in seats}
    place = looks_of.index(seat.look) if seat.look in looks_of else len(seats) - 1
    left, right = st.columns(2)
    with left:
        before = st.selectbox(
            "Before", looks_of, max(place - 1, 0) if place else 0, format_func=titles.get
        )
    with right:
        after = st.selectbox("After", looks_of, max(place, 1), format_func=titles.get)
    found = {s.look: s for s in seats}
    return found[before], found[after]


def prepare_pair(before: shelf.Seat, after: shelf.Seat) -> str:
    """Return the id of the pair as it stands now, with decisions; compare it when that is new."""
    marks = [looks.fingerprint(s.look, shelf.read_decisions(frame.open_shelf(), s.look), desk.read_shop())
             for s in (before, after)]  # fmt: skip
    pair = looks.name_pair(before.look + marks[0], after.look + marks[1])
    folder = desk.find_folder("pairs", pair)
    if not folder.is_dir():
        desk.write_plain(folder / "pair.json", {"before": before.look, "after": after.look})
        frame.open_bench().start("compare", pair)
    return pair


def show_pair(pair: str, before: shelf.Seat, after: shelf.Seat) -> None:
    """Show the two faces, the counts, and the list of what needs work again."""
    folder = desk.find_folder("pairs", pair)
    told = desk.read_plain(folder / "papers" / "change.json")
    figures = told["figures"]
    st.markdown(f"**{figures['sentence']}**")
    for line in told.get("warnings", []):
        st.warning(line)
    if (folder / "before.jpg").is_file():
        parts.show_slider(
            f"/rl/pair/{pair}/before.jpg", f"/rl/pair/{pair}/after.jpg",
            (before.stage or "before", after.stage or "after"), f"slider_{pair}",
        )  # fmt: skip
    left, right = st.columns(2, gap="large")
    counts = {_STATE_WORDS[state]: n for state, n in figures["counts"].items()}
    with left:
        st.altair_chart(
            charts.draw_fates(counts), width="stretch",
            alt="; ".join(f"{state}: {n}" for state, n in counts.items()),
        )  # fmt: skip
        st.caption(
            f"{wording.explain('dished', is_start=True)}. Could not be seen: one of the two photos "
            "could not have shown it."
        )
    with right:
        show_refills(folder, figures, after)
    base = f"/rl/pair/{pair}"
    with st.container(horizontal=True, gap="small"):
        st.link_button("Client report with both", f"{base}/report.pdf", type="primary")
        st.link_button("The same as one web file", f"{base}/report.html")
        st.link_button("Map of the changes", f"{base}/change.png")
        st.link_button("List (CSV)", f"{base}/change.csv")
    for note in told.get("notes", []):
        st.caption(note)


def show_refills(folder, figures: dict, after: shelf.Seat) -> None:
    """List the pits that need work again, numbered and planned as on the later work sheet."""
    refills = figures["refill"]
    st.markdown(
        f"**{len(refills)} pits need work again**" if refills else "**Nothing needs work again**"
    )
    if not refills:
        return
    table = parse_csv(folder / "papers" / "change.csv", CHANGE_COLUMNS)
    rows = table[table["after_id"].isin(refills)]
    units = desk.read_shop().units
    planned = name_actions(after)
    shown = pd.DataFrame(
        {
            "No.": rows["after_id"],
            "State": rows["state"].map(_STATE_WORDS),
            "Plan": [planned.get(int(number), "-") for number in rows["after_id"]],
            f"Size, {units}": wording.to_units(rows["after_diameter_mm"], units).round(
                1 if units == "mm" else 2
            ),
            "Was No.": rows["before_id"],
            "Sure, in 100": (100 * rows["confidence"]).round().clip(1, 99),
        }
    )
    st.dataframe(shown, hide_index=True, width="stretch", height=300)


def name_actions(after: shelf.Seat) -> dict[int, str]:
    """Return by pit number what the later plan does with it, in words."""
    if not looks.papers_folder(after.look).is_dir():
        return {}
    words = load_words()
    rows = frame.read_extras(after.look)["plan"].get("pits") or []
    return {int(row["pit_id"]): words.say(f"action.{row['action']}") for row in rows}


frame.guard(main)
