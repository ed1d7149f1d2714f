"""The colour figures in one word and one plain sentence. It describes, it never passes or fails."""

from typing import Any

from ..core.settings import ColourSettings
from .blotches import widen_limit


def judge_evenness(figures: dict[str, Any], *, settings: ColourSettings | None = None) -> str:
    """Return ``even``, ``uneven`` or ``cannot_tell`` from the figures of `measure_colour`.

    Uneven: a blotch, a joint, a pitch, a drift or a difference of zones is clear, or the cells
    spread beyond the limit, which `noise_dE00` of the photo's file widens. Cannot tell: nothing
    stands out, but a slow drift is not ruled out: from one photo alone it never is.

    Errors of the answer: the limits are settings, not a standard for tops (none was found).
    Source: our choice.
    """
    settings = settings or ColourSettings()
    if not figures["n_cells"]:
        return "cannot_tell"
    compared = [*figures["drift"], *figures["zones"]]
    limit = widen_limit(settings.blotch_dE00, figures.get("noise_dE00", 0.0))
    is_spread = figures["spread_dE00"]["p95"] >= limit
    if is_spread or figures["blotches"] or figures["lines"] or any(c["verdict"] == "drift" for c in compared):
        return "uneven"
    is_open = figures.get("light") == "model" or any(c["verdict"] == "cannot_tell" for c in compared)
    return "cannot_tell" if is_open else "even"


def describe_evenness(figures: dict[str, Any]) -> str:
    """Return one plain sentence for the finisher: how far apart, and what stands out.

    Errors of the answer: words only. Source: our choice.
    """
    if not figures["n_cells"]:
        return "No clean face was seen, so its tone is not known."
    spread, grade = figures["spread_dE00"], figures["grey_scale"]["half_grade"]
    head = (
        f"19 of 20 cells lie within {spread['p95']:.1f} dE00 of the slab's median tone, the farthest "
        f"{spread['max']:.1f} (grey scale {grade}, a reading aid)"
    )
    parts = [*_list_standouts(figures), *_list_drifts(figures["drift"])]
    if figures.get("light") == "model" and not figures["drift"]:
        parts.append("a slow drift of tone cannot be told from the lamp")
    return head + "; " + ", ".join(parts) + "." if parts else head + "; nothing stands out."


def _list_standouts(figures: dict[str, Any]) -> list[str]:
    parts = []
    if figures["blotches"]:
        n_blotches = len(figures["blotches"])
        parts.append(f"{n_blotches} {'blotch' if n_blotches == 1 else 'blotches'}")
    for line in figures["lines"]:
        if line["kind"] == "joint":
            parts.append(f"a line where the tone steps by {line['dE00']:.1f} dE00")
        else:
            parts.append(f"light and dark lines every {line['pitch_mm']:.0f} mm")
    for pair in figures["zones"]:
        if pair["verdict"] == "drift":
            first, second = pair["zones"]
            parts.append(f"zone {second} is {pair['words']} than zone {first} by {pair['dE00']:.1f} dE00")
    return parts


def _list_drifts(drifts: list[dict[str, Any]]) -> list[str]:
    parts = []
    for drift in drifts:
        ends = f"from {drift['from']} to {drift['to']}"
        if drift["verdict"] == "drift":
            span = f"{drift['low']:.1f} to {drift['high']:.1f}"
            parts.append(f"{drift['words']} {ends} by {drift['dE00']:.1f} dE00 ({span})")
    for drift in drifts:
        if drift["verdict"] == "cannot_tell" and drift["is_separated"]:
            parts.append(f"a drift from {drift['from']} to {drift['to']} is not clear (up to {drift['high']:.1f} dE00)")
    hidden = [f"{d['from']} to {d['to']}" for d in drifts if not d["is_separated"]]
    if hidden:
        parts.append(f"a slow drift from {' and from '.join(hidden)} cannot be told from the lamp")
    return parts
