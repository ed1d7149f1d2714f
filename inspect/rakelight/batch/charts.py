"""The picture of the trends: one control chart per group, readable in grey as well."""

import itertools
import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from ..core.tables import write_whole
from ..report.canvas import INK, MUTED, PAPER, TextLayer, fit_text, load_font

WIDTH_PX, PANEL_PX, MARGIN_PX, HEAD_PX = 1400, 330, 40, 110
PLOT_LEFT_PX, PLOT_RIGHT_PX, PLOT_TOP_PX, PLOT_BOTTOM_PX = 130, 60, 64, 52
PANELS_MAX = 12
LINE, LIMIT, ALARM = (70, 104, 140), (120, 123, 130), (176, 58, 28)
TITLE = "Pits per square metre, week by week"
LEGEND = (
    "Solid line: mean. Dashed: limits a steady process stays within (u chart, widened after Laney). "
    "Filled diamond: look for a cause."
)


@dataclass(frozen=True, slots=True)
class _Plot:
    """One panel: where it lies in the picture and what its axes span."""

    top: int
    n_weeks: int
    high: float

    def x(self, place: float) -> float:
        """Pixel of a week counted from 0."""
        span = WIDTH_PX - MARGIN_PX - PLOT_RIGHT_PX - PLOT_LEFT_PX
        return PLOT_LEFT_PX + span * (place + 0.5) / max(self.n_weeks, 1)

    def y(self, value: float) -> float:
        """Pixel of a value."""
        bottom = self.top + PANEL_PX - PLOT_BOTTOM_PX
        return bottom - (PANEL_PX - PLOT_TOP_PX - PLOT_BOTTOM_PX) * value / self.high


def draw_trends(trends: pd.DataFrame) -> np.ndarray:
    """Return the picture (uint8 RGB) of the groups with most photos; one panel that says so when there are none."""
    panels = _choose_panels(trends)
    rgb = np.full(
        (HEAD_PX + PANEL_PX * max(len(panels), 1) + MARGIN_PX, WIDTH_PX, 3), PAPER, np.uint8
    )
    words = TextLayer()
    words.add(TITLE, (MARGIN_PX, 40), load_font("bold", 34))
    words.add(LEGEND, (MARGIN_PX, 82), load_font("regular", 20), fill=MUTED)
    if not panels:
        words.add("No photo with a day yet: fill the column `day` of the manifest.",
                  (MARGIN_PX, HEAD_PX + 60), load_font("regular", 24))  # fmt: skip
    for number, rows in enumerate(panels):
        _draw_panel(rgb, words, rows, HEAD_PX + PANEL_PX * number)
    return words.draw(rgb)


def write_trends(trends: pd.DataFrame, path: Path) -> Path:
    """Write the picture whole and return its path."""
    bgr = cv2.cvtColor(draw_trends(trends), cv2.COLOR_RGB2BGR)
    return write_whole(path, cv2.imencode(".png", bgr)[1].tobytes())


def _choose_panels(trends: pd.DataFrame) -> list[pd.DataFrame]:
    groups = [rows for _, rows in trends.groupby(["stage", "by", "group"], sort=False)]
    kept = sorted(range(len(groups)), key=lambda k: -groups[k]["n_photos"].sum())[:PANELS_MAX]
    return [groups[k] for k in sorted(kept)]


def _draw_panel(rgb: np.ndarray, words: TextLayer, rows: pd.DataFrame, top: int) -> None:
    values = rows["pits_per_m2"].to_numpy()
    upper = rows["upper"].to_numpy()
    high = float(np.nanmax([*values, *upper[np.isfinite(upper)]])) * 1.15
    plot = _Plot(top, len(rows), high if high > 0 else 1.0)
    _write_head(words, rows, top)
    _draw_axes(rgb, words, rows, plot)
    centre = rows["centre"].iloc[0]
    _draw_line(
        rgb,
        (PLOT_LEFT_PX, plot.y(centre)),
        (WIDTH_PX - MARGIN_PX - PLOT_RIGHT_PX, plot.y(centre)),
        MUTED,
        2,
    )
    for name in ("lower", "upper"):
        _draw_limit(rgb, rows[name].to_numpy(), plot)
    places = [(plot.x(k), plot.y(value)) for k, value in enumerate(values)]
    for one, two in itertools.pairwise(places):
        _draw_line(rgb, one, two, LINE, 2)
    for place, signal in zip(places, rows["signal"], strict=True):
        _draw_point(rgb, place, is_signal=bool(signal))


def _write_head(words: TextLayer, rows: pd.DataFrame, top: int) -> None:
    first = rows.iloc[0]
    name = "All photos" if first["by"] == "all" else f"{first['by'].capitalize()} {first['group']}"
    stage = f", {first['stage']}" if first["stage"] else ""
    title = fit_text(f"{name}{stage}", load_font("bold", 26), WIDTH_PX * 0.6)
    words.add(title, (MARGIN_PX, top + 30), load_font("bold", 26))
    told = f"{rows['n_photos'].sum()} photos, {rows['seen_m2'].sum():.1f} m2, {len(rows)} weeks"
    if not math.isfinite(first["upper"]):
        told += "; too few weeks for limits"
    elif len(rows) < 20:
        told += "; limits provisional below 20 weeks"
    words.add(
        told, (WIDTH_PX - MARGIN_PX, top + 30), load_font("regular", 20), fill=MUTED, anchor="rm"
    )


def _draw_axes(rgb: np.ndarray, words: TextLayer, rows: pd.DataFrame, plot: _Plot) -> None:
    right = WIDTH_PX - MARGIN_PX - PLOT_RIGHT_PX
    step = _round_step(plot.high / 4)
    for k in range(int(plot.high / step) + 1):
        y = plot.y(k * step)
        _draw_line(rgb, (PLOT_LEFT_PX, y), (right, y), (226, 226, 224), 1)
        words.add(
            f"{k * step:g}",
            (PLOT_LEFT_PX - 12, y),
            load_font("regular", 19),
            fill=MUTED,
            anchor="rm",
        )
    every = max(1, math.ceil(len(rows) / 12))
    for k, week in enumerate(rows["week"]):
        if k % every == 0:
            at = (plot.x(k), plot.y(0) + 22)
            words.add(week, at, load_font("regular", 18), fill=MUTED, anchor="mm")
    words.add(
        f"{rows['centre'].iloc[0]:.0f}",
        (right + 10, plot.y(rows["centre"].iloc[0])),
        load_font("bold", 20),
    )


def _draw_limit(rgb: np.ndarray, limits: np.ndarray, plot: _Plot) -> None:
    for k, value in enumerate(limits):
        if math.isfinite(value):
            for part in range(5):  # a dashed step over the width of its week
                left, right = plot.x(k - 0.5 + part / 5), plot.x(k - 0.5 + (part + 0.6) / 5)
                _draw_line(rgb, (left, plot.y(value)), (right, plot.y(value)), LIMIT, 2)


def _draw_point(rgb: np.ndarray, place: tuple[float, float], *, is_signal: bool) -> None:
    x, y = place
    if is_signal:
        corners = np.array([(x, y - 12), (x + 12, y), (x, y + 12), (x - 12, y)])
        cv2.fillPoly(rgb, [np.round(corners * 16).astype(np.int32)], ALARM, cv2.LINE_AA, 4)
        return
    centre = (round(x * 16), round(y * 16))
    cv2.circle(rgb, centre, 6 * 16, PAPER, -1, cv2.LINE_AA, 4)
    cv2.circle(rgb, centre, 6 * 16, INK, 2, cv2.LINE_AA, 4)


def _draw_line(rgb, one: tuple[float, float], two: tuple[float, float], colour, width: int) -> None:
    ends = [tuple(round(v * 16) for v in end) for end in (one, two)]
    cv2.line(rgb, ends[0], ends[1], colour, width, cv2.LINE_AA, 4)


def _round_step(wanted: float) -> float:
    power = 10.0 ** math.floor(math.log10(max(wanted, 1e-9)))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= wanted)
