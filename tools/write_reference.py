"""Writes docs/columns.md and docs/settings.md from the declarations in the code.

    python tools/write_reference.py

A test compares the pages with what this script would write, so they cannot go stale.
"""

import dataclasses
import math
from pathlib import Path

from rakelight.core import records, settings
from rakelight.core.flags import FLAGS

DOCS = Path(__file__).resolve().parent.parent / "docs"
TABLES = (
    ("pits.csv", "PIT_COLUMNS", "One row per pit."),
    ("marks.csv", "MARK_COLUMNS", "What is not a pit, so that nobody fills it."),
    ("colour.csv", "COLOUR_COLUMNS", "Tone of the face in soft light, cell by cell."),
    ("plan.csv", "PLAN_COLUMNS", "What to do, field by field."),
    ("change.csv", "CHANGE_COLUMNS", "What became of every pit between two surveys."),
    ("summary.csv of a batch", "BATCH_COLUMNS", "One row per photo, whatever became of it."),
    ("trends.csv of a batch", "TREND_COLUMNS", "Pits per square metre, week by week."),
)


def write_columns() -> str:
    """Return the page of tables and flags."""
    lines = [
        "# Columns and flags",
        "",
        "Made by `python tools/write_reference.py` from `core/records.py` and `core/flags.py`. Lengths are mm on the",
        "slab: `x_mm` to the right and `y_mm` down from the plan's top-left corner. An empty cell is an unknown number.",
    ]
    named = {name for _, name, _ in TABLES}
    others = sorted(name for name in vars(records) if name.endswith("_COLUMNS") and name not in named)
    tables = [*TABLES, *((f"`{name}` (in memory)", name, "Used inside the program.") for name in others)]
    for title, name, meaning in tables:
        columns = [column for column in getattr(records, name) if isinstance(column, records.Column)]
        lines += ["", f"## {title}", "", meaning, "", "| column | type | unit | meaning |", "|---|---|---|---|"]
        lines += [f"| `{c.name}` | {c.dtype} | {c.unit or '-'} | {c.meaning} |" for c in columns]
    lines += ["", "## Flags", "", "Doubts about a pit or a photo, joined by a space in files.", ""]
    lines += ["| flag | about | meaning |", "|---|---|---|"]
    lines += [f"| `{flag.name}` | {flag.about} | {flag.meaning} |" for flag in FLAGS]
    return "\n".join(lines) + "\n"


def write_settings() -> str:
    """Return the page of settings."""
    lines = [
        "# Settings",
        "",
        "Made by `python tools/write_reference.py` from `core/settings.py`. Every record keeps all settings it was made with.",
    ]
    for name, cls in vars(settings).items():
        if not (isinstance(cls, type) and dataclasses.is_dataclass(cls)) or name == "Settings":
            continue
        lines += ["", f"## {name}", "", (cls.__doc__ or "").strip().splitlines()[0], ""]
        lines += ["| setting | default | unit | range | meaning | source |", "|---|---|---|---|---|---|"]
        lines += [_describe_field(field) for field in dataclasses.fields(cls)]
    lines += ["", "## Settings", "", "All steps together: " + ", ".join(
        f"`{field.name}`" for field in dataclasses.fields(settings.Settings)) + "."]  # fmt: skip
    return "\n".join(lines) + "\n"


def _describe_field(field: dataclasses.Field) -> str:
    meta = field.metadata
    choices = " or ".join(str(choice) for choice in meta.get("choices", ()))
    span = choices or _describe_range(meta.get("low", -math.inf), meta.get("high", math.inf))
    default = field.default if field.default is not dataclasses.MISSING else "(see the class)"
    text = str(default).replace("|", "\\|") or '""'
    return f"| `{field.name}` | {text} | {meta.get('unit') or '-'} | {span} | {meta.get('meaning', '')} | {meta.get('source', '')} |"


def _describe_range(low: float, high: float) -> str:
    if math.isinf(low) and math.isinf(high):
        return "any"
    if math.isinf(high):
        return f"from {low:g}"
    return f"up to {high:g}" if math.isinf(low) else f"{low:g} to {high:g}"


def main() -> None:
    """Write both pages."""
    DOCS.mkdir(exist_ok=True)
    (DOCS / "columns.md").write_text(write_columns(), encoding="utf-8")
    (DOCS / "settings.md").write_text(write_settings(), encoding="utf-8")


if __name__ == "__main__":
    main()
