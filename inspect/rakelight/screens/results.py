"""What one inspection found, as a person reads it: verdict, numbers, map, pits, plan, papers.

Reads the files of the inspection only; nothing is measured here.
"""

import io
import zipfile
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from rakelight.core.tables import INSPECTION_FILES, InspectionTables, read_inspection_tables

from . import wording

_VERDICT_BOXES = {"good": st.success, "doubtful": st.warning, "retake": st.error}
_BIG_PAPERS = (
    ("work_sheet.pdf", "Work sheet", "application/pdf"),
    ("report.pdf", "Client report", "application/pdf"),
    ("pits.csv", "Pit list", "text/csv"),
)


def show_results(folder: Path, units: str) -> None:
    """Show everything one inspection folder holds."""
    tables = read_inspection_tables(folder)
    show_verdict(tables.summary)
    show_numbers(tables, units)
    show_papers(folder)
    seen, pits, plan, limits = st.tabs(["Map", "Pits", "Plan", "What it does not say"])
    with seen:
        st.image(str(folder / "map.png"), width="stretch")
        st.image(str(folder / "heat.png"), width="stretch")
    with pits:
        show_pits(tables, units)
    with plan:
        show_plan(tables)
    with limits:
        st.markdown("\n".join(f"- {line}" for line in tables.summary["limits_of_this_answer"]))


def show_verdict(summary: dict[str, Any]) -> None:
    """Show whether the photo was good enough, and what to change."""
    photo = summary["photo"]
    advice = "".join(f"\n- {line}" for line in photo["advice"])
    warnings = "".join(f"\n- {line}" for line in summary["warnings"])
    head = f"**{wording.VERDICT_WORDS[photo['verdict']]}.**"
    _VERDICT_BOXES[photo["verdict"]](head + advice)
    if warnings:
        with st.expander(f"Doubts about this answer ({len(summary['warnings'])})"):
            st.markdown(warnings)


def show_numbers(tables: InspectionTables, units: str) -> None:
    """Show the few numbers a finisher asks for first."""
    counts = tables.summary["counts"]
    density, area = wording.say_density(tables.summary, units)
    largest = tables.pits["diameter_mm"].max() if len(tables.pits) else float("nan")
    smallest = counts["smallest_counted_mm"]
    smallest = float("nan") if smallest is None else smallest
    with st.container(horizontal=True, gap="small"):
        st.metric("Pits counted", f"{counts['n_pits']}", border=True)
        st.metric(f"Pits {area}", density, border=True)
        st.metric("Largest", wording.say_size(largest, units), border=True)
        st.metric("Counted from", wording.say_size(smallest, units), border=True)
        st.metric(
            "Open share of the face", wording.say_share(tables.summary["area_share"]), border=True
        )


def show_papers(folder: Path) -> None:
    """Offer the files to take along; the work sheet first."""
    with st.container(horizontal=True, gap="small"):
        for place, (name, title, mime) in enumerate(_BIG_PAPERS):
            st.download_button(
                title,
                (folder / name).read_bytes(),
                file_name=name,
                mime=mime,
                type="primary" if place == 0 else "secondary",
                on_click="ignore",
            )
        st.download_button(
            "Everything (zip)",
            lambda: pack_files(folder),
            file_name="inspection.zip",
            mime="application/zip",
            on_click="ignore",
        )


def pack_files(folder: Path) -> bytes:
    """Return the ten files of an inspection as one zip."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in INSPECTION_FILES:
            archive.write(folder / name, name)
    return content.getvalue()


def show_pits(tables: InspectionTables, units: str) -> None:
    """Show the pit list, filtered by size."""
    pits = tables.pits
    if pits.empty:
        st.info("No pit of this size was found on the face.")
        return
    top = float(pits["diameter_mm"].max())
    least = st.slider("Show pits from (mm)", 0.0, max(1.0, round(top, 1)), 0.0, 0.5, key="least_mm")
    shown = pits[pits["diameter_mm"] >= least]
    st.caption(
        f"{len(shown)} of {len(pits)} pits. Numbers are those of the map and the work sheet."
    )
    height_mm = tables.summary["face"]["size_mm"][1]
    st.dataframe(arrange_pits(shown, height_mm, units), hide_index=True, width="stretch")


def arrange_pits(pits: pd.DataFrame, height_mm: float, units: str) -> pd.DataFrame:
    """Return the pit list with places from the front left corner, in mm or inches."""
    decimals = 1 if units == "mm" else 2
    columns = {
        "No.": pits["pit_id"],
        f"Size, {units}": wording.to_units(pits["diameter_mm"], units).round(decimals),
        f"From left, {units}": wording.to_units(pits["x_mm"], units).round(decimals - 1),
        f"From front, {units}": wording.to_units(height_mm - pits["y_mm"], units).round(
            decimals - 1
        ),
        "Kind": pits["kind"].str.replace("_", " "),
        "Chance it is real": pits["confidence"].round(2),
        "Near an edge": pits["near_edge"],
    }
    return pd.DataFrame(columns)


def show_plan(tables: InspectionTables) -> None:
    """Show what to do in each field, with the test patch above all advice."""
    st.warning(
        "**Test patch first.** Before any filling or coating, try the paste on an offcut or a hidden "
        "strip, let it dry fully, and compare it dry, wet and sealed.",
    )
    amounts = tables.summary["plan"]["amounts"]
    if amounts.get("sentence"):
        st.markdown(amounts["sentence"])
    plan = tables.plan
    st.dataframe(
        pd.DataFrame(
            {
                "Field": plan["field"],
                "Do": plan["action"].map(wording.say_action),
                "Pits": plan["n_pits"],
                "Hand time": plan["minutes"].map(wording.say_minutes),
                "Paste, g": plan["paste_g"].round(0),
                "Why": plan["reason"],
            }
        ),
        hide_index=True,
        width="stretch",
    )
    st.caption(
        f"Field: {wording.EXPLAINED['field']} Slurry coat: {wording.EXPLAINED['slurry coat']}"
    )
