"""A comparison of two surveys as a folder: table, figures, pictures and the client's report."""

import json
from pathlib import Path
from typing import Any

import pandas as pd

from rakelight.core.records import CHANGE_COLUMNS, LIFE_COLUMNS, Comparison, Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.tables import format_csv, to_plain

from .change_map import draw_change, draw_pair
from .client import write_client_report
from .folder import FolderKind, write_folder, write_png
from .html import write_html_report

COMPARISON_FOLDER = FolderKind(
    (
        "change.json",
        "change.csv",
        "change.png",
        "before_after.png",
        "report.pdf",
        "report.html",
    ),
    frozenset({"life.csv"}),
)


def write_comparison(
    change: Comparison,
    before: Inspection,
    after: Inspection,
    out_dir: str | Path,
    *,
    settings: ReportSettings | None = None,
    lines: pd.DataFrame | None = None,
) -> list[Path]:
    """Write the files of one comparison into a folder, moved into place whole; return their paths.

    Parameters
    ----------
    change : Comparison
        What became of every pit.
    before, after : Inspection
        The two surveys; a record whose photo was not kept gives hatched pictures.
    out_dir : path
        Folder to make, or an older comparison to replace.
    settings : ReportSettings
        Units, paper, language, the shop's own name and logo.
    lines : DataFrame, optional
        LIFE_COLUMNS: every pit over all surveys of the slab; written as life.csv.

    Raises
    ------
    OutputError
        As `folder.write_inspection`.
    """
    settings = settings or ReportSettings()

    def write(folder: Path) -> None:
        write_change(change, folder)
        write_png(draw_change(change, after, settings=settings), folder / "change.png")
        write_png(draw_pair(before, after, settings=settings), folder / "before_after.png")
        told = {"settings": settings, "change": change, "before": before}
        write_client_report(after, folder / "report.pdf", **told)
        write_html_report(after, folder / "report.html", **told)
        if lines is not None:
            text = format_csv(lines, LIFE_COLUMNS)
            (folder / "life.csv").write_text(text, encoding="utf-8", newline="")

    paths = write_folder(out_dir, COMPARISON_FOLDER, write)
    return paths if lines is None else [*paths, paths[0].with_name("life.csv")]


def write_change(change: Comparison, folder: Path) -> list[Path]:
    """Write change.csv and change.json into a folder; return their paths."""
    table = format_csv(change.table, CHANGE_COLUMNS)
    (folder / "change.csv").write_text(table, encoding="utf-8", newline="")
    text = json.dumps(summarise_change(change), ensure_ascii=False, allow_nan=False, indent=2)
    (folder / "change.json").write_text(text + "\n", encoding="utf-8", newline="")
    return [folder / "change.csv", folder / "change.json"]


def summarise_change(change: Comparison) -> dict[str, Any]:
    """Return everything of a comparison but its table, as plain values."""
    names = (
        "schema", "version", "figures", "registration", "before", "after", "notes", "warnings",
        "settings",
    )  # fmt: skip
    return to_plain({name: getattr(change, name) for name in names})
