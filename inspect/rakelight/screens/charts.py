"""Charts of the screens: readable in grey and by colour-blind people, with units and n."""

from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from rakelight.core.units import MM2_PER_FT2, MM2_PER_M2

_FT2_SHARE = MM2_PER_FT2 / MM2_PER_M2


def draw_crossing(crossing: dict[str, Any], here: float | None, units: str) -> alt.LayerChart:
    """Return hand time per area against pits per area, filled by hand or coated.

    Two kinds of line (solid and dashed) with their names beside them; this face is a dotted rule.
    """
    share, area = (_FT2_SHARE, "ft²") if units == "in" else (1.0, "m²")
    where = crossing["holes_per_m2"] * share
    last = max(2.2 * where, min(here or 0.0, 6 * where) * 1.1)
    pits = np.linspace(0, last, 40)
    fill = pits * crossing["fill_min_per_pit"]
    coat = np.full_like(pits, crossing["coat_min_per_m2"] * share)
    table = pd.DataFrame(
        {
            "pits": np.r_[pits, pits],
            "minutes": np.r_[fill, coat],
            "way": ["fill each by hand"] * len(pits) + ["slurry coat"] * len(pits),
        }
    )
    dashes = alt.Scale(domain=["fill each by hand", "slurry coat"], range=[[1, 0], [8, 5]])
    lines = alt.Chart(table).mark_line(strokeWidth=3, color="#9a4a1c").encode(
        x=alt.X("pits:Q", title=f"pits per {area}"),
        y=alt.Y("minutes:Q", title=f"hand time, min per {area}"),
        strokeDash=alt.StrokeDash("way:N", scale=dashes, legend=None),
    )  # fmt: skip
    ends = table.groupby("way").last().reset_index()
    names = alt.Chart(ends).mark_text(align="right", dy=-12, fontWeight=600, color="#808080").encode(
        x="pits:Q", y="minutes:Q", text="way:N"
    )  # fmt: skip
    layers = [lines, names]
    if here is not None and here <= last:
        rule = pd.DataFrame({"pits": [here], "words": [f"this face: {here:.0f}"]})
        layers += [
            alt.Chart(rule).mark_rule(strokeDash=[2, 4], strokeWidth=2, color="#808080").encode(x="pits:Q"),
            alt.Chart(rule).mark_text(align="right", dx=-6, dy=-90, color="#808080", fontWeight=600).encode(
                x="pits:Q", text="words:N"
            ),
        ]  # fmt: skip
    elif here is not None:
        words = pd.DataFrame({"pits": [last], "words": [f"this face lies far right: {here:.0f}"]})
        layers.append(
            alt.Chart(words).mark_text(align="right", dy=-100, color="#808080", fontWeight=600).encode(
                x="pits:Q", text="words:N"
            )
        )  # fmt: skip
    return alt.layer(*layers).properties(height=300)


def draw_tone(cells: pd.DataFrame, grid_mm: float, units: str) -> alt.LayerChart:
    """Return the tone of each cell against the slab's median, lighter or darker, in L*.

    The ramp is one of lightness, so that it reads in grey: a darker cell is a darker place.
    """
    from rakelight.screens import wording

    median = cells["L"].median()
    table = pd.DataFrame(
        {
            "left": wording.to_units(cells["x_mm"] - grid_mm / 2, units),
            "right": wording.to_units(cells["x_mm"] + grid_mm / 2, units),
            "top": wording.to_units(cells["y_mm"] - grid_mm / 2, units),
            "bottom": wording.to_units(cells["y_mm"] + grid_mm / 2, units),
            "step": cells["L"] - median,
        }
    )
    table["words"] = table["step"].map(lambda step: f"{step:+.1f}".replace("-", "−"))
    most = max(2.0, float(table["step"].abs().max()))
    colour = alt.Color(
        "step:Q", title="lighter or darker, L*",
        scale=alt.Scale(domain=[-most, most], range=["#3d3731", "#fdf3da"]),
    )  # fmt: skip
    boxes = alt.Chart(table).mark_rect(stroke="#808080", strokeWidth=0.5).encode(
        x=alt.X("left:Q", title=f"from the left, {units}", scale=alt.Scale(nice=False)), x2="right:Q",
        y=alt.Y("top:Q", title=f"from the back, {units}", scale=alt.Scale(reverse=True, nice=False)), y2="bottom:Q",
        color=colour, tooltip=[alt.Tooltip("words:N", title="L* against the median")],
    )  # fmt: skip
    shape = (table["bottom"].max() - table["top"].min()) / (
        table["right"].max() - table["left"].min()
    )
    return alt.layer(boxes).properties(height=int(np.clip(950 * shape, 160, 620)))


def draw_fates(counts: dict[str, int]) -> alt.LayerChart:
    """Return how many pits closed, sank, stayed open or are new, with their numbers."""
    table = pd.DataFrame({"state": list(counts), "pits": list(counts.values())})
    order = list(counts)
    bars = alt.Chart(table).mark_bar(color="#9a4a1c", height=22).encode(
        y=alt.Y("state:N", sort=order, title=None), x=alt.X("pits:Q", title=f"pits (n = {sum(counts.values())})")
    )  # fmt: skip
    words = alt.Chart(table).mark_text(align="left", dx=6, fontWeight=600, color="#808080").encode(
        y=alt.Y("state:N", sort=order), x="pits:Q", text="pits:Q"
    )  # fmt: skip
    return alt.layer(bars, words).properties(height=38 * max(len(order), 1) + 40)
