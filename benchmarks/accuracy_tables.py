"""The tables of `accuracy.py`: one row per set for the README, one section per set for results/accuracy.md."""

import math
from pathlib import Path

import numpy as np
from detection_odds import bound_share, fit_odds
from scoring import Tally

HERE = Path(__file__).parent
MM_BANDS = [0.5, 0.75, 1, 1.5, 2, 3, 5, 10, 30]
PX_BANDS = [3, 4, 5, 6, 8, 12, 20, 40, 400]
HEAD = (
    "| set | finder | pits | precision | recall | F1 | false per 0.1 m2 | diameter bias | diameter error median / mean "
    "| open area | worst window | calibration | false pits are |\n" + "|---" * 13 + "|"
)
START, END = "<!-- accuracy: made by accuracy.py --write -->", "<!-- accuracy: end -->"
RELIT_LIMIT_MM = 1.75  # the relit truth counts from here on, by the deepest part of a hollow, not by its mouth
LEAST_BIN = 20  # fewer detections in a tenth of confidence say nothing about it


def row_of(name: str, who: str, tally: Tally) -> str:
    """Return one line of the short table."""
    sizes, window = "- | - | -", "-"
    if tally.true_mm:
        bias, error = tally.diameter_errors()
        sizes = f"{bias:+.1%} | {error:.1%} / {tally.mean_diameter_error():.1%} | {tally.area_share_error():+.1%}"
    if tally.worst_window:
        window = ", ".join(f"{error:+.1%}" for error in tally.window_errors())
    rates = f"{tally.precision:.3f} | {tally.recall:.3f} | {tally.f1:.3f}" if tally.sizes_mm else "- | - | -"
    trust = f"{tally.calibration_error():.3f}" if who == "rakelight" else "-"
    return (
        f"| {name} | {who} | {tally.hits + tally.misses} | {rates} | {tally.false_per_tenth_m2:.1f} | {sizes} "
        f"| {window} | {trust} | {name_kinds(tally)} |"
    )


def name_kinds(tally: Tally) -> str:
    """Return what the false pits really are, the most frequent first."""
    return ", ".join(f"{kind} {n}" for kind, n in sorted(tally.false_kinds.items(), key=lambda item: -item[1])) or "-"


def describe_set(name: str, answers: dict[str, Tally]) -> str:
    """Return the section of one set: all finders, then rakelight by size, its odds of detection and its confidence."""
    lines = [f"## {name}", "", HEAD, *(row_of(name, who, tally) for who, tally in answers.items()), ""]
    tally = answers["rakelight"]
    if tally.sizes_mm:
        for unit, edges in (("mm", MM_BANDS), ("px", PX_BANDS)):
            lines += [*_band_rows(tally, edges, unit), ""]
        lines += [describe_odds(tally), ""]
    if name.startswith("stained"):
        lines += [describe_in_true_sizes(tally), ""]
    lines += [*_trust_rows(tally), ""]
    return "\n".join(lines)


def describe_odds(tally: Tally) -> str:
    """Return a50, a90 and a90/95 of the diameter, or what can be said when next to nothing was missed."""
    parts = []
    for unit, size in (("mm", tally.sizes_mm), ("px", tally.sizes_px)):
        odds = fit_odds(np.array(size), np.array(tally.hit))
        if math.isfinite(odds.a90) and odds.a90 >= min(size):
            bound = f"{odds.a90_95:.2f}" if math.isfinite(odds.a90_95) else "not bounded"
            half = f"{odds.a50:.2f}" if odds.a50 >= min(size) else f"below {min(size):.2f}"
            parts.append(f"{unit}: a50 {half}, a90 {odds.a90:.2f}, a90/95 {bound}")
        else:
            parts.append(f"{unit}: no curve, recall does not depend on size enough (smallest {min(size):.2f})")
    sure = bound_share(len(tally.hit), int(np.sum(tally.hit)))
    return f"Chance of detection, {'; '.join(parts)}. Of all pits counted, at least {sure:.3f} are found (95 % sure)."


def describe_in_true_sizes(tally: Tally) -> str:
    """Return precision when what was found is measured as the truth measures: by the deepest part of a hollow.

    One factor for the photo (the median of found over true size) turns mouths into deepest parts; false ones
    that then fall below the truth's limit would not have been in it either.
    """
    factor = float(np.median(np.array(tally.found_mm) / np.array(tally.true_mm)))
    listed, is_right = np.array(tally.listed_mm), np.array(tally.is_right, bool)
    n_false = int(np.sum(~is_right & (listed / factor >= RELIT_LIMIT_MM)))
    return (
        f"The truth gives the deepest part of each hollow, rakelight its mouth, {factor:.2f} times as wide. "
        f"With all sizes divided by that, false ones of the truth's least size and more: {n_false}; precision "
        f"{tally.hits / (tally.hits + n_false):.3f}; listed {tally.hits + n_false}."
    )


def _band_rows(tally: Tally, edges: list[float], unit: str) -> list[str]:
    rows = [f"| diameter, {unit} | pits | recall | listed | precision | F1 |", "|---" * 6 + "|"]
    for low, high, n, recall, n_listed, precision in tally.by_band(edges, unit):
        f1 = 2 * precision * recall / (precision + recall) if precision + recall > 0 else math.nan
        cells = " | ".join(_show(value) for value in (recall, n_listed, precision, f1))
        rows.append(f"| {low:g} to {high:g} | {n} | {cells} |")
    return rows


def _trust_rows(tally: Tally) -> list[str]:
    rows = ["| stated confidence | entries | mean stated | share that are pits |", "|---" * 4 + "|"]
    for n, stated, real in tally.reliability() if tally.confidence else ():
        few = " (few)" if n < LEAST_BIN else ""
        low = min(int(stated * 10), 9) / 10
        rows.append(f"| {low:.1f} to {low + 0.1:.1f} | {n}{few} | {stated:.2f} | {real:.2f} |")
    return rows


def _show(value: float) -> str:
    if isinstance(value, int):
        return str(value)
    return f"{value:.3f}" if math.isfinite(value) else "-"


def write_tables(tallies: dict[str, dict[str, Tally]]) -> None:
    """Write results/accuracy.md, and rakelight's rows between the two marks in README.md."""
    sections = "\n".join(describe_set(name, answers) for name, answers in tallies.items())
    intro = (
        "# Accuracy of the pit list, in full\n\nMade by `accuracy.py --write`; what the sets are stands in "
        "[README.md](../README.md). Precision by size goes by the size that was found, recall by the true size.\n"
        "Entries below .5 confidence are not in the list; they are kept for a person to raise, and stand in the last "
        "table.\n\n"
    )
    (HERE / "results" / "accuracy.md").write_text(intro + sections, encoding="utf-8")
    readme = HERE / "README.md"
    text = readme.read_text(encoding="utf-8")
    before, rest = text.split(START)
    rows = [row_of(name, who, tally) for name, answers in tallies.items() for who, tally in answers.items()]
    readme.write_text(before + "\n".join([START, HEAD, *rows, END]) + rest.split(END)[1], encoding="utf-8")
