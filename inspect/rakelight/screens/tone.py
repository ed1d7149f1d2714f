"""Tone: is the colour even? Only the soft-light photo can tell, and never why."""

import streamlit as st

from rakelight.screens import frame, looks, parts, wording
from rakelight.screens.tone_map import draw_tone_map


def main() -> None:
    """Show the tone of the face of the inspection that the address names."""
    seat = frame.find_seat()
    frame.show_seat(seat, "tone")
    st.title("Tone", anchor=False)
    if not looks.papers_folder(seat.look).is_dir():
        frame.settle(seat)
        return
    tables = frame.read_tables(seat.look)
    colour = tables.summary["colour"]
    if tables.colour.empty:
        st.info(
            "There is no photo in soft light for this survey, so the tone is not known. "
            "Raking light shows relief and never colour."
        )
        st.markdown(f"Take one in {wording.explain('soft light')}, with a grey card on the slab.")
        for draft in frame.find_drafts(seat.look):
            frame.link("photos", "Add the soft-light photo", survey=draft)
        return
    units = frame.desk.read_shop().units
    st.markdown(f"**{colour.get('sentence', '')}**")
    cells = tables.colour.dropna(subset=["L"])
    grid_mm, size_mm = colour.get("grid_mm", 50.0), tables.summary["face"]["size_mm"]
    parts.show_tone_map(draw_tone_map(cells, grid_mm, size_mm, units=units))
    st.caption(
        f"Cells of {wording.say_length(grid_mm, units)}, n = {len(cells)}. L* is lightness from 0 to 100; "
        "dE00 is how far two tones lie apart. Of both, 1 is just visible side by side."
    )
    show_blotches(colour, size_mm[1], units)
    for note in colour.get("notes", []):
        st.caption(note)
    st.caption(
        "Why the tone differs, and whether it will fade, no photo can say. Look again in two weeks."
    )


def show_blotches(colour: dict, height_mm: float, units: str) -> None:
    """List the places that differ most, as a tape finds them."""
    for spot in colour.get("blotches", [])[:8]:
        st.markdown(
            f"- {spot['words']} by {spot['dE00']:.1f}, {wording.say_length(spot['x_mm'], units)} from the left, "
            f"{wording.say_length(height_mm - spot['y_mm'], units)} from the front, about "
            f"{wording.say_length(max(spot['width_mm'], spot['height_mm']), units)} large"
        )


frame.guard(main)
