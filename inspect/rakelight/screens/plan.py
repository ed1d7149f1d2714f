"""Plan: ways to repair side by side, own times, fields fixed by hand, the order of the work."""

import datetime
from typing import Any

import pandas as pd
import streamlit as st

from rakelight.core.errors import RakelightError
from rakelight.core.settings import RepairSettings
from rakelight.core.tables import InspectionTables
from rakelight.log.rates import learn_rates, offer_settings
from rakelight.screens import charts, frame, looks, shelf, wording

_CHOICES = ("leave", "fill", "slurry_coat", "no_coat", "hone_test_strip")
_CHOICE_WORDS = {"no_coat": "no slurry coat"}
_WAY_LOCKS = {"A": {}, "B": {"all": "no_coat"}, "C": {"all": "slurry_coat"}}
_ASKED_RATES = (
    ("fill_min_per_pit", "Minutes to fill and cut back one pit"),
    ("two_lifts_min_per_pit", "Minutes for a larger pit in two lifts"),
    ("coat_min_per_m2", "Minutes to coat and cut back one m²"),
    ("coat_setup_min", "Minutes to set up one coat"),
    ("repair_min_per_void", "Minutes to mend one void"),
    ("film_mm", "Film that a coat leaves, mm"),
    ("air_celsius", "Air in the shop, °C"),
    ("money_per_hour", "Money for an hour of hand work"),
    ("paste_money_per_kg", "Money for a kilogram of paste"),
)


def main() -> None:
    """Show the plan of the inspection that the address names."""
    seat = frame.find_seat()
    frame.show_seat(seat, "plan")
    st.title("Plan", anchor=False)
    is_settled = frame.settle(seat)
    if not looks.papers_folder(seat.look).is_dir():
        return
    tables = frame.read_tables(seat.look)
    plan = frame.read_extras(seat.look)["plan"]
    figures = plan["figures"]
    wording.warn_of_lamp(tables.summary)
    st.warning(f"**{plan['notes'][0]}**")
    if not is_settled:
        st.caption("The plan below is the one before your last change.")
    show_ways(seat, figures)
    show_paste(tables)
    show_limits(figures, tables)
    show_hints(figures)
    ask_fields(seat, tables)
    left, right = st.columns(2, gap="large")
    with left:
        show_crossing(tables, figures)
    with right:
        ask_rates(seat, figures)
    show_order(seat, plan["order"])
    for note in plan["notes"][1:]:
        st.caption(note)
    frame.offer_next("papers", "On to the papers", look=seat.look)


def show_ways(seat: shelf.Seat, figures: dict[str, Any]) -> None:
    """Show the ways to repair side by side, and let one be taken."""
    st.header("Ways to repair", anchor=False)
    st.markdown(
        f"Hand filling goes pit by pit; a {wording.explain('slurry coat')}. Both ask for a test patch first."
    )
    locked = looks.read_choices(seat.look).locked
    taken = {"no_coat": "B", "slurry_coat": "C"}.get(locked.get("all", ""), "A")
    for column, way in zip(
        st.columns(len(figures["alternatives"]) or 1), figures["alternatives"], strict=False
    ):
        with column, st.container(border=True, key=f"way_{way['name']}"):
            show_way(way, figures)
            is_taken = way["name"] == taken
            if st.button(
                "Taken" if is_taken else "Take this one", key=f"take_{way['name']}", disabled=is_taken,
                width="stretch",
            ):  # fmt: skip
                fields = {name: what for name, what in locked.items() if name != "all"}
                looks.change_choices(seat.look, locked=fields | _WAY_LOCKS.get(way["name"], {}))
                st.rerun()


def show_way(way: dict[str, Any], figures: dict[str, Any]) -> None:
    """Show one way to repair in the numbers that decide."""
    st.markdown(f"**{way['name']}. {way['title'].capitalize()}**")
    st.subheader(wording.say_minutes(way["minutes"]), anchor=False)
    lines = [
        f"{way['n_filled']} pits filled by hand",
        f"{way['coated_m2']:.2f} m² coated" if way["coated_m2"] else "nothing coated",
        f"{way['paste_g']:.0f} g of paste",
    ]
    if way["money"] is not None:
        lines.append(f"{way['money']:.0f} in your money")
    if figures["is_agreed"]:
        expected = {
            True: "limit expected to hold when fills close",
            False: "limit not expected to hold",
        }
        lines.append(expected.get(way["is_limit_expected"], "limit cannot be told"))
    st.markdown("\n".join(f"- {line}" for line in lines))


def show_paste(tables: InspectionTables) -> None:
    """Show how much to mix."""
    sentence = tables.summary["plan"]["amounts"].get("sentence")
    if sentence:
        st.markdown(sentence)


def show_limits(figures: dict[str, Any], tables: InspectionTables) -> None:
    """Show what was agreed against what is expected, and published scales to read beside it."""
    if not figures["is_agreed"]:
        st.caption(
            "Nothing was agreed with the client for this job, so nothing is called passed or failed."
        )
    for limit in figures["limits"]:
        st.markdown(
            f"- {limit['text']}: {limit['before']:.2g} {limit['unit']} now, {limit['after']:.2g} {limit['unit']} "
            f"expected after the repair (limit {limit['limit']:.3g})."
        )
    grades = tables.summary["grades"]
    if grades:
        with st.expander("Held against published scales, to read only"):
            st.dataframe(arrange_grades(grades), hide_index=True, width="stretch")
            st.caption(
                "Published scales are for walls seen from metres away. What counts is what was agreed."
            )


def arrange_grades(grades: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the classes with the range they may have and where the rule comes from."""
    rows = [
        {
            "Scale": grade["title"], "Class": grade["class"], "May be": " to ".join(grade["range"]),
            "Rule": grade["rule"], "Source": f"{grade['source']} ({grade['mark']})",
        }
        for grade in grades
    ]  # fmt: skip
    return pd.DataFrame(rows)


def show_hints(figures: dict[str, Any]) -> None:
    """Show patterns that have a usual cause, as questions."""
    for hint in figures["hints"]:
        with st.expander(f"{hint['question']}"):
            st.markdown("\n".join(f"- {cause['text']}" for cause in hint["causes"]))


def ask_fields(seat: shelf.Seat, tables: InspectionTables) -> None:
    """Show the plan field by field and let a person fix what is done in one."""
    st.header("Field by field", anchor=False)
    for reason, fields in tables.plan.groupby("reason", sort=False)["field"]:
        names = ", ".join(fields) if len(fields) <= 12 else f"{len(fields)} fields"
        st.markdown(f"- **{names}:** {reason}")
    plan = tables.plan
    shown = pd.DataFrame(
        {
            "Field": plan["field"],
            "Plan": plan["action"].map(wording.say_action),
            "Pits": plan["n_pits"],
            "Hand time": plan["minutes"].map(wording.say_minutes),
            "Paste, g": plan["paste_g"].round(0),
        }
    )
    with st.expander(f"{len(plan)} fields. {wording.mean('field')}", expanded=len(plan) <= 6):
        st.dataframe(shown, hide_index=True, width="stretch")
    fix_fields(seat, list(plan["field"]))


def fix_fields(seat: shelf.Seat, fields: list[str]) -> None:
    """Let a person fix what is done in one field; the rest is planned around it."""
    locked = looks.read_choices(seat.look).locked
    with st.container(horizontal=True, vertical_alignment="bottom", gap="small", key="fix_field"):
        field = st.selectbox("Field", fields, key="fixed_field")
        choice = st.selectbox(
            "Always do there", _CHOICES, format_func=say_choice, key="fixed_choice"
        )
        if st.button("Fix it", key="fix") and field:
            keep_locked(seat, locked | {field: choice})
    for name in [name for name in locked if name in fields]:
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            st.markdown(f"**{name}** is fixed by you: {say_choice(locked[name])}.")
            if st.button("Let the plan decide", key=f"free_{name}"):
                keep_locked(seat, {other: what for other, what in locked.items() if other != name})


def keep_locked(seat: shelf.Seat, locked: dict[str, str]) -> None:
    """Keep what is fixed and plan anew."""
    looks.change_choices(seat.look, locked=locked)
    st.rerun()


def say_choice(choice: str) -> str:
    """Return what a person can fix for a field, in words."""
    return "" if not choice else _CHOICE_WORDS.get(choice) or wording.say_action(choice)


def show_crossing(tables: InspectionTables, figures: dict[str, Any]) -> None:
    """Show from how many pits on coating costs less than filling."""
    st.header("Fill or coat?", anchor=False)
    crossing = figures["crossing"]
    units = frame.desk.read_shop().units
    here = tables.summary["per_ft2"] if units == "in" else tables.summary["per_m2"]
    where = crossing["holes_per_ft2"] if units == "in" else crossing["holes_per_m2"]
    area = "ft²" if units == "in" else "m²"
    st.altair_chart(
        charts.draw_crossing(crossing, here, units), width="stretch",
        alt=f"Hand time against pits per {area}: filling each and coating all cost the same at {where:.3g}.",
    )  # fmt: skip
    assumed = " These times are assumptions: type in your own." if crossing["is_assumed"] else ""
    st.caption(
        f"{wording.explain('crossing point', is_start=True)}: {where:.3g} pits per {area} with these times.{assumed}"
    )


def ask_rates(seat: shelf.Seat, figures: dict[str, Any]) -> None:
    """Ask for the shop's own times and money, or take over those of its own repairs."""
    st.header("Your own times", anchor=False)
    rates = looks.read_choices(seat.look).rates
    defaults = RepairSettings().to_mapping()
    learned = offer_settings(learn_rates(frame.open_shelf()))
    if learned and st.button("Take the times of your own repairs from the log"):
        looks.change_choices(seat.look, rates={**rates, **learned})
        st.rerun()
    if figures["assumptions"]:
        st.caption("A star marks an assumption of the program. Type in your own.")
    with st.form("rates", border=False):
        said = {}
        columns = st.columns(2)
        for place, (name, title) in enumerate(_ASKED_RATES):
            label = title if name in rates else f"{title} *"
            least = -10.0 if name == "air_celsius" else 0.0
            value = float(rates.get(name, defaults[name]))
            said[name] = columns[place % 2].number_input(
                label, min_value=least, value=value, format="%g"
            )
        if st.form_submit_button("Plan with these", type="primary", width="stretch"):
            changed = {n: v for n, v in said.items() if v != defaults[n] or n in rates}
            keep_rates(seat, rates, changed)


def keep_rates(seat: shelf.Seat, rates: dict[str, float], said: dict[str, float]) -> None:
    """Keep times that make sense; else say which does not."""
    from rakelight.repair.plan import apply_rates

    try:
        apply_rates(RepairSettings(), said)
    except RakelightError as trouble:
        st.error(str(trouble))
        return
    looks.change_choices(seat.look, rates={**rates, **said})
    st.rerun()


def show_order(seat: shelf.Seat, order: list[dict[str, Any]]) -> None:
    """Show the work step by step with its waits, and hand it to a calendar."""
    if not order:
        return
    st.header("Order of work", anchor=False)
    for number, step in enumerate(order, 1):
        wait = say_wait(step)
        fields = f" Fields {', '.join(step['fields'])}." if 0 < len(step["fields"]) <= 12 else ""
        st.markdown(
            f"**{number}. {step['title']}** ({wording.say_minutes(step['minutes'])}). {step['text']}{fields} "
            f"*Done when:* {step['done_when']}{wait}"
        )
    from rakelight.repair.calendar import write_calendar
    from rakelight.repair.steps import schedule_work

    with st.container(horizontal=True, vertical_alignment="bottom", gap="small"):
        day = st.date_input("Begin on", datetime.date.today(), key="begin_on")
        if isinstance(day, datetime.date):
            text = write_calendar(schedule_work(order, day), title=f"{seat.job}, {seat.slab}")
            st.download_button(
                "Put it into a calendar", text, "work.ics", "text/calendar", on_click="ignore"
            )


def say_wait(step: dict[str, Any]) -> str:
    """Return the wait after a step: shortest to longest usual one."""
    low, high = step["wait_min"], step["wait_min_high"]
    if not high:
        return ""
    words = [_say_long(low), _say_long(high)]
    return f" Then wait {words[0]}." if low == high else f" Then wait {words[0]} to {words[1]}."


def _say_long(minutes: float) -> str:
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 2880 else f"{minutes / 1440:.0f} days"


frame.guard(main)
