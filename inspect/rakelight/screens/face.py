"""Face: the whole map down to the pixel; tap a pit to see why it is one, and overrule it."""

import math
from typing import Any

import numpy as np
import pandas as pd
import streamlit as st

from rakelight.core.flags import FLAGS
from rakelight.core.tables import InspectionTables
from rakelight.log.history import delete_record
from rakelight.log.store import add_decision, add_note
from rakelight.report.facts import band_index
from rakelight.screens import frame, looks, parts, shelf, tiles, wording

_VERDICT_BOXES = {"good": st.success, "doubtful": st.warning, "retake": st.error}
_SHOWS = ("Pits", "Not pits", "Heat by field")
_MANY_MARKS = 400
_DECISION_WORDS = {
    "delete": "taken off the list",
    "character": "left as character",
    "resize": "given another size",
    "add": "added by you",
}


def main() -> None:
    """Show the face of the inspection that the address names."""
    seat = frame.find_seat()
    frame.show_seat(seat, "face")
    st.title("Face", anchor=False)
    if not looks.papers_folder(seat.look).is_dir():
        frame.settle(seat)
        return
    units = frame.desk.read_shop().units
    tables = frame.read_tables(seat.look)
    decisions = shelf.read_decisions(frame.open_shelf(), seat.look)
    pits = looks.list_pits(seat.look, decisions)
    show_verdict(tables.summary)
    show_numbers(tables, pits, units)
    left, right = st.columns([5, 3], gap="large")
    with left:
        show_map(seat, tables, pits, units)
    with right:
        show_picked(seat, tables, pits, decisions, units)
    show_list(pits, tables, units)
    frame.settle(seat)
    frame.offer_next("plan", "On to the plan", look=seat.look)


def show_verdict(summary: dict[str, Any]) -> None:
    """Show whether the photo was good enough, what to change, and what is doubtful."""
    photo = summary["photo"]
    advice = "".join(f"\n- {line}" for line in photo["advice"])
    wording.warn_of_lamp(summary)
    if photo["verdict"] != "good" or advice:
        _VERDICT_BOXES[photo["verdict"]](f"**{wording.VERDICT_WORDS[photo['verdict']]}.**{advice}")
    doubts = [*summary["warnings"], *summary["limits_of_this_answer"]]
    with st.expander(f"{wording.VERDICT_WORDS[photo['verdict']]}. What this answer does not say"):
        st.markdown("\n".join(f"- {line}" for line in doubts))


def show_numbers(tables: InspectionTables, pits: pd.DataFrame, units: str) -> None:
    """Show the few numbers a finisher asks for first."""
    summary = tables.summary
    here = pits[pits["state"] != "deleted"]
    density, area = wording.say_density(summary, units)
    largest = float(here["diameter_mm"].max()) if len(here) else math.nan
    smallest = wording.say_size(summary["counts"]["smallest_counted_mm"], units)
    told = (
        (f"{len(here)}", "pits"),
        (density, area),
        (wording.say_size(largest, units), "the largest"),
        (smallest, "counted from"),
        (wording.say_share(summary["area_share"]), "of the face open"),
    )
    st.markdown("&emsp;".join(f"**{value}** {words}" for value, words in told))


def show_map(seat: shelf.Seat, tables: InspectionTables, pits: pd.DataFrame, units: str) -> None:
    """Show the deep face with what is switched on, and take the taps on it."""
    info = tiles.read_info(looks.tiles_folder("looks", seat.look))
    if not info:
        st.info("The photo of this inspection was not kept, so there is no face to look at.")
        return
    with st.container(horizontal=True, gap="small", vertical_alignment="bottom"):
        shown = st.pills("Show", _SHOWS, default=["Pits"], selection_mode="multi", key="shows",
                         label_visibility="collapsed")  # fmt: skip
        is_adding = st.toggle("Add a pit that was missed", key="is_adding")
    least = parts.slide_length("Pits from this size", 10.0, 0.5, units=units, key="least")
    st.session_state["least_mm"] = least
    data = describe_face(seat, tables, pits[pits["diameter_mm"] >= least], info)
    data |= {
        "show": {"pits": "Pits" in shown, "marks": "Not pits" in shown, "heat": "Heat by field" in shown},
        "is_adding": is_adding, "selected": st.session_state.get("pit", 0), "units": units,
        "selected_mark": st.session_state.get("mark", 0),
    }  # fmt: skip
    parts.show_face(data, f"face_{seat.look}", on_tap=take_tap, on_add=take_place)
    if "Heat by field" in shown and len(tables.plan):
        most = tables.plan["pits_per_m2"].max()
        st.caption(
            f"The darker a {wording.explain('field')}, the more pits: darkest {most:.0f} per m²."
        )
    if "Not pits" in shown:
        st.caption("Dashed squares are bumps, stains and the like: not pits, do not fill.")


def describe_face(
    seat: shelf.Seat, tables: InspectionTables, pits: pd.DataFrame, info: dict[str, Any]
) -> dict[str, Any]:
    """Return what the deep face draws, in pixels of the whole map."""
    mm_per_px = frame.read_extras(seat.look)["mm_per_px"]
    marks = tables.marks.nlargest(_MANY_MARKS, "diameter_mm")
    most = max(float(tables.plan["pits_per_m2"].max()), 20.0) if len(tables.plan) else 1.0
    fields = [
        [row.field, row.x_mm / mm_per_px, row.y_mm / mm_per_px, row.width_mm / mm_per_px,
         row.height_mm / mm_per_px,
         None if math.isnan(row.pits_per_m2) else round(row.pits_per_m2 / most, 3)]
        for row in tables.plan.itertuples()
    ]  # fmt: skip
    return {
        "tiles": f"/rl/tiles/looks/{seat.look}/face", "cols": info["cols_px"], "rows": info["rows_px"],
        "tile_px": info["tile_px"], "low": info["low"], "top": info["top"], "mm_per_px": mm_per_px,
        "pits": _place_signs(pits, "pit_id", mm_per_px, tables), "fields": fields,
        "marks": _place_signs(marks, "mark_id", mm_per_px, None),
    }  # fmt: skip


def _place_signs(
    table: pd.DataFrame, name: str, mm_per_px: float, tables: InspectionTables | None
) -> list[list]:
    """Rows of number, column, row, radius, size band, state; the order is that of the table."""
    bands = np.zeros(len(table), int)
    if tables is not None and len(table):
        bands = band_index(table["diameter_mm"], size_bands(tables.summary))
    states = table["state"] if "state" in table else [""] * len(table)
    columns = zip(
        table[name].astype(int), (table["x_mm"] / mm_per_px - 0.5).round(1),
        (table["y_mm"] / mm_per_px - 0.5).round(1), (table["diameter_mm"] / 2 / mm_per_px).round(1),
        bands.tolist(), states, strict=True,
    )  # fmt: skip
    return [list(row) for row in columns]


def size_bands(summary: dict[str, Any]):
    """Return the size bands of the record, as the printed map uses them."""
    from rakelight.report.facts import SizeBand

    return tuple(
        SizeBand(band["from_mm"], math.inf if band["to_mm"] is None else band["to_mm"])
        for band in summary["counts"]["bands"]
    )


def take_tap(told: dict[str, Any]) -> None:
    """Remember which pit or mark was tapped."""
    st.session_state["pit"] = told["number"] if told["kind"] == "pits" else 0
    st.session_state["mark"] = told["number"] if told["kind"] == "marks" else 0
    st.session_state.pop("new_place", None)


def take_place(told: dict[str, Any]) -> None:
    """Remember where a missed pit was tapped."""
    st.session_state["new_place"] = (told["col"], told["row"])


def show_picked(
    seat: shelf.Seat,
    tables: InspectionTables,
    pits: pd.DataFrame,
    decisions: list[dict[str, Any]],
    units: str,
) -> None:
    """Show the pit, the mark or the new place that was tapped."""
    number, mark = st.session_state.get("pit", 0), st.session_state.get("mark", 0)
    picked = pits[pits["pit_id"] == number]
    if st.session_state.get("is_adding") and "new_place" in st.session_state:
        ask_new_pit(seat, st.session_state["new_place"])
    elif len(picked):
        show_pit(seat, tables, picked.iloc[0], units)
        overrule_pit(seat, picked.iloc[0], decisions, units)
    elif mark and (tables.marks["mark_id"] == mark).any():
        show_mark(seat, tables.marks[tables.marks["mark_id"] == mark].iloc[0], units)
    else:
        st.markdown("**Tap a pit** on the map, or a row of the list below, to see it large.")
        n_decided = len(decisions)
        if n_decided:
            st.caption(f"{n_decided} overruled by you so far; what was measured stays in the log.")


def show_pit(seat: shelf.Seat, tables: InspectionTables, pit: pd.Series, units: str) -> None:
    """Show one pit large, in numbers, and why it is taken for a pit."""
    mm_per_px = frame.read_extras(seat.look)["mm_per_px"]
    show_crop(seat, pit, mm_per_px)
    kind = wording.KIND_WORDS.get(pit["kind"], "pit")
    spread = (
        ""
        if math.isnan(pit["diameter_sd_mm"])
        else f" ± {wording.say_size(2 * pit['diameter_sd_mm'], units)}"
    )
    size = wording.say_size(pit["diameter_mm"], units)
    st.header(f"Pit {pit['pit_id']}: {kind}, {size}{spread}", anchor=False)
    show_meaning(kind)
    height_mm = tables.summary["face"]["size_mm"][1]
    st.markdown(
        f"{wording.say_length(pit['x_mm'], units)} from the left, "
        f"{wording.say_length(height_mm - pit['y_mm'], units)} from the front. {say_depth(pit, units)}"
    )
    st.markdown(say_why(seat, tables.summary, pit))
    for flag in FLAGS:
        if flag.name in pit["flags"].split():
            st.caption(flag.meaning)


def show_meaning(kind: str) -> None:
    """Say what a trade word means where the person meets it first."""
    told = wording.explain(kind, is_start=True)
    if "(" in told:
        st.caption(f"{told}.")


def show_crop(seat: shelf.Seat, place: pd.Series, mm_per_px: float) -> None:
    """Show a place of the face large, ringed."""
    centre = (place["x_mm"] / mm_per_px - 0.5, place["y_mm"] / mm_per_px - 0.5)
    folder = looks.tiles_folder("looks", seat.look)
    if not tiles.read_info(folder):
        return
    crop = tiles.draw_crop(folder, centre, place["diameter_mm"] / 2 / mm_per_px)
    st.image(crop, width=320, alt="This place of the face, large, with a ring around it")


def say_depth(pit: pd.Series, units: str) -> str:
    """Return what is known of a pit's depth."""
    depth = wording.say_size(pit["depth_mm"], units)
    return {
        "at_least": f"At least {depth} deep, by its shadow.",
        "lamps": f"About {depth} deep, from two lamps.",
        "pin": f"{depth} deep, by the pin.",
    }.get(pit["depth_basis"], "Its depth is not known.")


def say_why(seat: shelf.Seat, summary: dict[str, Any], pit: pd.Series) -> str:
    """Return why a pit is taken for one, from what the record says about its light."""
    if "added_by_hand" in pit["flags"]:
        return "**Why:** you put it on the list."
    side = wording.say_side(summary["lamp"]["from_deg"])
    rows = [
        row for row in frame.read_extras(seat.look)["evidence"] if row["pit_id"] == pit["pit_id"]
    ]
    shade, rim = (rows[0].get("shade"), rows[0].get("rim")) if rows else (None, None)
    told = []
    if shade is not None:
        told.append(f"its side toward the lamp is {_say_strength(shade)}" if shade > 0
                    else "its side toward the lamp is not dark, so look twice")  # fmt: skip
    if rim is not None:
        told.append(f"its far side is {'bright' if rim > 0 else 'not bright'}")
    told_words = " and ".join(told) or "its shade and rim fit a hole"
    chance = wording.say_chance(pit["confidence"])
    return (
        f"**Why:** light comes from {side}; {told_words}. A bump would be the other way round. "
        f"Of pits that look like this, {chance} are real."
    )


def _say_strength(shade: float) -> str:
    times = math.sinh(shade)
    return f"dark, {times:.0f} times the grain" if times >= 2 else "a little darker than the grain"


def overrule_pit(
    seat: shelf.Seat, pit: pd.Series, decisions: list[dict[str, Any]], units: str
) -> None:
    """Offer what a person can decide about a pit, or to take it back."""
    number = int(pit["pit_id"])
    mine = [d for d in decisions if d["pit_id"] == number]
    if pit["state"] == "added":
        mine += [
            d
            for d in decisions
            if d["what"] == "add" and abs((d["x_mm"] or 0) - pit["x_mm"]) < 0.01
        ]
    if mine:
        st.info(f"Pit {number} is {_DECISION_WORDS.get(mine[-1]['what'], 'noted')}.")
        if st.button("Take that back", key="undo", width="stretch"):
            delete_record(
                frame.open_shelf(), "decision", mine[-1]["uid"], who=frame.desk.read_shop().who
            )
            st.rerun()
        if pit["state"] in ("deleted", "added"):
            return
    with st.container(horizontal=True, gap="small"):
        if st.button("Not a pit", key="delete"):
            decide(seat, "delete", pit_id=number)
        if st.button(
            "Leave as character",
            key="character",
            help=wording.mean("character"),
        ):
            decide(seat, "character", pit_id=number)
    with st.popover("Size or depth by hand", width="stretch"):
        size = parts.ask_length(
            "Size across",
            float(pit["diameter_mm"]),
            (0.1, 200.0),
            units=units,
            key=f"size_{number}",
        )
        if st.button("Keep the size", key="resize"):
            decide(seat, "resize", pit_id=number, diameter_mm=size)
        pins = looks.read_choices(seat.look).pins
        depth = parts.ask_length(
            "Depth by a pin", pins.get(str(number)), (0.1, 100.0), units=units, key=f"pin_{number}"
        )
        if st.button("Keep the depth", key="pin", disabled=depth is None):
            looks.change_choices(seat.look, pins={**pins, str(number): depth})
            add_note(frame.open_shelf(), seat.job, f"Pin depth of pit {number} of {seat.slab}: {depth:g} mm",
                     who=frame.desk.read_shop().who)  # fmt: skip
            st.rerun()


def decide(seat: shelf.Seat, what: str, **values: Any) -> None:
    """Write a decision into the log and show the page anew."""
    add_decision(frame.open_shelf(), seat.look, what, who=frame.desk.read_shop().who, **values)
    st.rerun()


def ask_new_pit(seat: shelf.Seat, place: tuple[float, float]) -> None:
    """Ask for the size of a pit that was missed."""
    mm_per_px = frame.read_extras(seat.look)["mm_per_px"]
    x_mm, y_mm = ((value + 0.5) * mm_per_px for value in place)
    units = frame.desk.read_shop().units
    size = parts.ask_length(
        "Size across of the missed pit", 3.0, (0.1, 200.0), units=units, key="new_size"
    )
    show_crop(seat, pd.Series({"x_mm": x_mm, "y_mm": y_mm, "diameter_mm": size}), mm_per_px)
    st.caption("The ring shows this size.")
    if st.button("Put it on the list", type="primary", width="stretch", key="add"):
        st.session_state.pop("new_place")
        decide(seat, "add", x_mm=x_mm, y_mm=y_mm, diameter_mm=size)


def show_mark(seat: shelf.Seat, mark: pd.Series, units: str) -> None:
    """Show what was taken for something else than a pit, and let it be put on the list."""
    show_crop(seat, mark, frame.read_extras(seat.look)["mm_per_px"])
    kind = mark["kind"].replace("_", " ")
    size = wording.say_size(mark["diameter_mm"], units)
    st.header(f"Not a pit: {kind}, {size}", anchor=False)
    chance = wording.say_chance(mark["confidence"])
    st.caption(f"{chance[:1].upper()}{chance[1:]} that look like this are one.")
    if st.button("It is a pit: put it on the list", key="add_mark"):
        decide(seat, "add", x_mm=mark["x_mm"], y_mm=mark["y_mm"], diameter_mm=mark["diameter_mm"])


def show_list(pits: pd.DataFrame, tables: InspectionTables, units: str) -> None:
    """Show the pits as a list; a chosen row is shown large."""
    shown = pits[pits["diameter_mm"] >= st.session_state.get("least_mm", 0.0)]
    with st.expander(f"List of {len(shown)} pits", expanded=False):
        picked = st.dataframe(
            arrange_pits(shown, tables.summary["face"]["size_mm"][1], units), hide_index=True,
            width="stretch", on_select="rerun", selection_mode="single-row", key="pit_rows",
        )  # fmt: skip
        rows = picked["selection"]["rows"]
        if rows and rows[0] < len(shown):
            number = int(shown.iloc[rows[0]]["pit_id"])
            if st.session_state.get("row_taken") != number:
                st.session_state["row_taken"] = number
                take_tap({"kind": "pits", "number": number})
                st.rerun()


def arrange_pits(pits: pd.DataFrame, height_mm: float, units: str) -> pd.DataFrame:
    """Return the pit list with places from the front left corner, in mm or inches."""
    decimals = 1 if units == "mm" else 2
    states = pits["state"] if "state" in pits else pd.Series("measured", index=pits.index)
    columns = {
        "No.": pits["pit_id"],
        f"Size, {units}": wording.to_units(pits["diameter_mm"], units).round(decimals),
        f"From left, {units}": wording.to_units(pits["x_mm"], units).round(decimals - 1),
        f"From front, {units}": wording.to_units(height_mm - pits["y_mm"], units).round(
            decimals - 1
        ),
        "Kind": pits["kind"].map(wording.KIND_WORDS),
        "Real, in 100": (100 * pits["confidence"]).round().clip(1, 99).astype(int),
        "By you": states.replace("measured", ""),
    }
    return pd.DataFrame(columns)


frame.guard(main)
