"""Small drawings of where lamp, phone and card belong, with their words. They take the page's colours."""

from functools import lru_cache
from pathlib import Path

_ASSETS = Path(__file__).parent / "assets"

DRAWINGS = (
    (
        "lamp_low",
        "1. Lamp low at one side.",
        "About 250 mm up for each metre away. Card flat on the face.",
    ),
    (
        "lamp_across",
        "2. Lamp low at right angles.",
        "A second photo tells bumps, stains and sand from pits.",
    ),
    (
        "soft_light",
        "3. Soft light, for the colour.",
        "Open shade or bounced light, grey card in the picture.",
    ),
)


@lru_cache(maxsize=8)
def read_drawing(name: str) -> str:
    """Return a drawing as SVG."""
    return (_ASSETS / f"{name}.svg").read_text(encoding="utf-8")
