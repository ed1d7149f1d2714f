"""Our own parts of a page: photo intake, pointing at a photo, the deep face, the before/after slider.

Scripts and styles lie in `assets/`. Each part tells what a person did and leaves every decision to
the page. Places are pixels of the whole photo or map, (x, y) with pixel centres at integers.
"""

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st

from rakelight.core.units import MM_PER_INCH

ASSETS = Path(__file__).parent / "assets"
_ACCEPT = "image/*,.heic,.heif,.dng,.nef,.cr2,.cr3,.arw,.tif,.tiff"


@lru_cache(maxsize=8)
def _register(name: str):
    texts = {
        kind: (ASSETS / f"{name}.{kind}").read_text(encoding="utf-8")
        for kind in ("html", "css", "js")
    }
    return st.components.v2.component(f"rakelight_{name}", **texts)


@lru_cache(maxsize=16)
def _register_drawing(name: str, svg: str):
    css = ":host { display: block; color: var(--st-text-color); }"
    return st.components.v2.component(f"rakelight_drawing_{name}", html=svg, css=css)


def show_drawing(name: str, svg: str) -> None:
    """Show one of our own drawings in the page's colours."""
    _register_drawing(name, svg)(key=f"drawing_{name}")


def show_tone_map(html: str) -> None:
    """Show the map of tones that `tone_map.py` drew."""
    _register("tone_map")(data=html, key="tone_map")


def ask_photo(uid: str, kind: str, label: str, *, is_quiet: bool = False) -> bool:
    """Return True when a photo has just been kept in the draft; it goes straight to the disk."""
    data = {"uid": uid, "kind": kind, "label": label, "accept": _ACCEPT, "quiet": is_quiet}
    sent = _register("upload")(data=data, key=f"upload_{kind}", on_kept_change=_ignore)
    return bool(sent.get("kept"))


def point_at_photo(
    src: str,
    size_px: tuple[int, int],
    *,
    corners_px: tuple = (),
    lamp_deg: float | None = None,
    is_pointing: bool = True,
    has_lamp: bool = True,
) -> dict[str, Any] | None:
    """Return the corners and the lamp side as last shown on the photo; None when nothing was moved.

    Parameters
    ----------
    src : address of the picture. size_px : columns and rows of the whole photo.
    corners_px : what is known of the corners. lamp_deg : clockwise from the photo's top.
    is_pointing : whether corners can be placed. has_lamp : whether there is a lamp to place.
    """
    data = {
        "src": src, "cols": size_px[0], "rows": size_px[1], "corners": [list(c) for c in corners_px],
        "lamp_deg": lamp_deg, "is_pointing": is_pointing, "has_lamp": has_lamp,
    }  # fmt: skip
    shown = _register("pointer")(data=data, key=f"pointer_{src}", on_told_change=_ignore)
    return shown.get("told")


def show_face(
    data: dict[str, Any],
    key: str,
    *,
    on_tap: Callable[[dict], None],
    on_add: Callable[[dict], None],
) -> None:
    """Show the deep face. on_tap is told {kind, number}, on_add {col, row} of the whole map."""
    _register("face")(
        data=data,
        key=key,
        on_tapped_change=lambda: _hand_over(key, "tapped", on_tap),
        on_added_change=lambda: _hand_over(key, "added", on_add),
    )


def _hand_over(key: str, name: str, take: Callable[[dict], None]) -> None:
    told = st.session_state.get(key, {}).get(name)
    if told:
        take(told)


def show_slider(before: str, after: str, words: tuple[str, str], key: str) -> None:
    """Show two pictures of the same place, one wiped over the other."""
    data = {"before": before, "after": after, "before_words": words[0], "after_words": words[1]}
    _register("slider")(data=data, key=key)


def ask_length(
    label: str,
    value_mm: float | None,
    between_mm: tuple[float, float],
    *,
    units: str,
    key: str,
    help: str | None = None,
) -> float | None:
    """Return a length in mm, asked for in the shop's units; None while nothing was typed.

    Errors of the answer: inches are shown to 1/1000, so that a size which was not touched stays
    as it was to 0.01 mm.
    """
    per_unit, places, step = (MM_PER_INCH, 3, 0.02) if units == "in" else (1.0, 2, 0.5)
    shown = None if value_mm is None else round(value_mm / per_unit, places)
    least, most = (round(side / per_unit, places) for side in between_mm)
    told = st.number_input(
        f"{label}, {units}", min(least, shown or least), max(most, shown or most), shown, step,
        format="%g", key=key, help=help,
    )  # fmt: skip
    if told is None or told == shown:
        return value_mm
    return round(told * per_unit, 3)


def slide_length(label: str, most_mm: float, step_mm: float, *, units: str, key: str) -> float:
    """Return a length in mm between nothing and the most, slid in the shop's units."""
    if units == "in":
        most = round(most_mm / MM_PER_INCH, 1)
        return MM_PER_INCH * st.slider(f"{label}, in", 0.0, most, 0.0, 0.02, key=key, format="%.2f")
    return st.slider(f"{label}, mm", 0.0, most_mm, 0.0, step_mm, key=key, format="%.1f")


def _ignore() -> None:
    """Do nothing: the page reads the value itself."""
