"""Words and colours of the tone pictures: one ramp from darker to lighter, the same in all of them."""

import math
from typing import Any

import numpy as np

from .words import Words

# Even steps of lightness from dark blue over grey to pale yellow (L* about 18 to 92): it orders
# in grey and for colour-blind people, and darker is drawn darker. Our choice.
RAMP = ((0, 32, 77), (42, 63, 108), (88, 92, 112), (128, 126, 121), (170, 160, 113), (214, 197, 91), (255, 234, 120))
TOP_LEAST = 3.0
"""dE00 at the ends of the ramp, at least: a nearly even face must not look alarming."""
DARK_BELOW = 0.45
"""Below this place on the ramp pale text reads better."""
_AXES = (("lighter", "darker"), ("redder", "greener"), ("warmer", "cooler"))


def pick_colour(place: np.ndarray | float) -> np.ndarray:
    """Return the colour (..., 3) uint8 at a place 0-1 of the ramp: 0 darkest, 0.5 the median, 1 lightest."""
    place = np.clip(np.asarray(place, float), 0, 1) * (len(RAMP) - 1)
    channels = [np.interp(place, range(len(RAMP)), channel) for channel in zip(*RAMP, strict=True)]
    return np.round(np.stack(channels, axis=-1)).astype(np.uint8)


def say_tone(text: str, words: Words) -> str:
    """Return a record's tone words (``darker and warmer``) in the language of the picture."""
    known = {axis for pair in _AXES for axis in pair}
    parts = [words.say(f"tone.{part}") for part in text.split(" and ") if part in known]
    if not parts:
        return words.say("tone.same")
    return parts[0] if len(parts) == 1 else words.say("tone.joined", first=parts[0], second=parts[1])


def find_hue_letter(step: np.ndarray, words: Words) -> str:
    """Return the letter of the hue that leads a difference of L*a*b* (3,), empty when lightness leads."""
    warm, cool, red, green = words.say("tone.hue_letters")
    axis = int(np.argmax(np.abs(step)))
    if axis == 0:
        return ""
    return (warm if step[2] > 0 else cool) if axis == 2 else (red if step[1] > 0 else green)


def say_gap(value: Any, words: Words) -> str:
    """Return a difference with its unit: ``2.1 dE00``; a dash when it is not known."""
    number = float(value) if value is not None else math.nan
    return f"{words.number(number, 1)} dE00"
