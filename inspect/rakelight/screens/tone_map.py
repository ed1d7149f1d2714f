"""The tone of a face as a map in its true shape, readable in grey: a darker cell is a darker place."""

import html
import math

import numpy as np
import pandas as pd

from rakelight.core.units import MM_PER_INCH

DARK, LIGHT = (61, 55, 49), (253, 243, 218)
LEAST_SPAN = 2.0
"""Half the ramp in L*, at least: differences that nobody sees must not look like much."""

_STEPS = {"mm": (50, 100, 200, 500, 1000, 2000), "in": (2, 6, 12, 24, 48, 96)}
_MOST_TICKS = 6


def draw_tone_map(
    cells: pd.DataFrame, grid_mm: float, size_mm: tuple[float, float], *, units: str
) -> str:
    """Return the tone of each cell against the face's median, lighter or darker, as HTML.

    Parameters
    ----------
    cells : x_mm, y_mm of the middle and L of each cell that was seen. grid_mm : side of a cell.
    size_mm : width and depth of the face. units : mm or in, for the numbers at its edges.
    """
    steps = (cells["L"] - cells["L"].median()).to_numpy()
    most = max(LEAST_SPAN, float(np.abs(steps).max(initial=0.0)))
    width, depth = size_mm
    side = f"{1.01 * grid_mm:.1f}"  # a hair too large, so that no line shows between two cells
    boxes = "".join(
        f'<rect x="{x - grid_mm / 2:.1f}" y="{y - grid_mm / 2:.1f}" width="{side}" '
        f'height="{side}" fill="{pick_shade(step / most)}"><title>{say_step(step)}</title></rect>'
        for x, y, step in zip(cells["x_mm"], cells["y_mm"], steps, strict=True)
    )
    told = html.escape(describe_tone(cells, steps))
    return (
        f'<div class="face"><svg role="img" aria-label="{told}" viewBox="0 0 {width:.1f} {depth:.1f}" '
        f'preserveAspectRatio="none" style="aspect-ratio:{width:.1f}/{depth:.1f}">{boxes}</svg>'
        f"{_draw_ticks('up', 'bottom', depth, units)}{_draw_ticks('along', 'left', width, units)}</div>"
        f'<p class="axis">{units} from the left below; {units} from the front at the side</p>'
        f'<div class="ramp"><span>darker, {say_step(-most)}</span>'
        f'<i style="background:linear-gradient(to right, {pick_shade(-1)}, {pick_shade(1)})"></i>'
        f"<span>lighter, {say_step(most)}</span></div>"
    )


def _draw_ticks(name: str, side: str, length_mm: float, units: str) -> str:
    return "".join(
        f'<span class="{name}" style="{side}:{share:.2%}">{words}</span>'
        for share, words in place_ticks(length_mm, units)
    )


def pick_shade(share: float) -> str:
    """Return the colour of a tone from -1 (the darkest) to 1 (the lightest)."""
    at = (min(max(share, -1.0), 1.0) + 1) / 2
    red, green, blue = (round(a + at * (b - a)) for a, b in zip(DARK, LIGHT, strict=True))
    return f"#{red:02x}{green:02x}{blue:02x}"


def say_step(step: float) -> str:
    """Return a step of lightness with its sign: ``+1.2 L*``."""
    return f"{step:+.1f} L*".replace("-", "−")


def place_ticks(length_mm: float, units: str) -> list[tuple[float, str]]:
    """Return where an edge carries numbers, as shares of it, at most seven from nought on."""
    per_unit = MM_PER_INCH if units == "in" else 1.0
    length = length_mm / per_unit
    step = next((s for s in _STEPS[units] if length / s <= _MOST_TICKS), None)
    step = step or math.ceil(length / _MOST_TICKS / 1000) * 1000
    return [(n * step / length, f"{n * step:g}") for n in range(int(length // step) + 1)]


def describe_tone(cells: pd.DataFrame, steps: np.ndarray) -> str:
    """Return the map in a sentence, for who hears it."""
    if not len(cells):
        return "No cell of the face was seen in soft light."
    ends = [(steps.argmin(), "darkest"), (steps.argmax(), "lightest")]
    told = [
        f"the {word} {say_step(steps[at])} at {cells['x_mm'].iloc[at]:.0f} mm from the left"
        for at, word in ends
    ]
    return f"Tone of {len(cells)} cells against their median: {', '.join(told)}."
