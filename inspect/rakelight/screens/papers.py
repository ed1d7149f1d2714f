"""Papers: what to print, what the client gets, what other programs read."""

import streamlit as st

from rakelight.core.tables import INSPECTION_FILES
from rakelight.screens import frame, looks, wording

_TABLES = {
    "pits.csv": "every pit: place, size, depth as far as known",
    "marks.csv": "what is not a pit, so that nobody fills it",
    "colour.csv": "the tone of the face, cell by cell",
    "plan.csv": "what to do, field by field",
    "zones.geojson": "slab, fields and pits as shapes, in millimetres",
    "map.png": "the numbered map",
    "heat.png": "pits per area, field by field",
    "summary.json": "everything in one file for other programs",
}


def main() -> None:
    """Offer the papers of the inspection that the address names."""
    seat = frame.find_seat()
    frame.show_seat(seat, "papers")
    st.title("Papers", anchor=False)
    is_settled = frame.settle(seat)
    folder = looks.papers_folder(seat.look)
    if not folder.is_dir():
        return
    if not is_settled:
        st.caption(
            "These are still the papers before your last change; the new ones are being written."
        )
    wording.warn_of_lamp(frame.read_tables(seat.look).summary)
    base = f"/rl/paper/{seat.look}"
    left, right = st.columns(2, gap="large")
    with left, st.container(border=True, key="work_sheet"):
        st.header("Work sheet", anchor=False)
        st.markdown(
            "For the slab: one page per 600 mm with every pit numbered in walking order from the front "
            "left corner, what to do, paste, order of work, safety. Reads at arm's length, needs no colour."
        )
        st.link_button(
            "Open the work sheet", f"{base}/work_sheet.pdf", type="primary", width="stretch"
        )
    with right, st.container(border=True, key="client_report"):
        st.header("Client report", anchor=False)
        st.markdown(
            "For the client: the photos in the same light, what was agreed, the result in plain sentences, "
            "what stays as character, care, signatures. No score and no stamp."
        )
        st.link_button("Open the client report", f"{base}/report.pdf", width="stretch")
    st.image(
        str(folder / "map.png"), width="stretch",
        alt="The numbered map of the face; pits.csv lists every pit with its place and size",
    )  # fmt: skip
    with st.expander("Tables and pictures"):
        for name in INSPECTION_FILES:
            if name in _TABLES:
                with st.container(horizontal=True, vertical_alignment="center", gap="small"):
                    st.link_button(name, f"{base}/{name}")
                    st.markdown(_TABLES[name])
    st.link_button("Everything in one zip", f"{base}/inspection.zip", width="stretch")
    shop = frame.desk.read_shop()
    st.caption(
        f"Lengths in {shop.units}, paper {shop.paper.upper()}, language {shop.language}. "
        "Position and serial numbers that a phone writes into its photos are left out of all of these."
    )
    frame.link("shop", "Change units, paper, language or the shop's name")


frame.guard(main)
