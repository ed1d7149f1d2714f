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
    if here is not None:
        layers += _mark_here(here, last, float(max(fill[-1], coat[-1])))
    return alt.layer(*layers).properties(height=300)


def _mark_here(here: float, last: float, most: float) -> list[alt.Chart]:
    """This face on the crossing chart: a dotted rule with its words, or words when it lies beyond."""
    is_beyond = here > last
    words = f"this face: {here:.0f}, far to the right" if is_beyond else f"this face: {here:.0f}"
    # The words stand low, where neither of the two lines runs, and on the side that has room.
    is_right = is_beyond or here > last / 2
    table = pd.DataFrame({"pits": [min(here, last)], "minutes": [0.06 * most], "words": [words]})
    chart = alt.Chart(table)
    text = chart.mark_text(
        align="right" if is_right else "left", dx=-6 if is_right else 6, fontWeight=600, color="#808080"
    ).encode(x="pits:Q", y="minutes:Q", text="words:N")  # fmt: skip
    if is_beyond:
        return [text]
    rule = chart.mark_rule(strokeDash=[2, 4], strokeWidth=2, color="#808080").encode(x="pits:Q")
    return [rule, text]


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
