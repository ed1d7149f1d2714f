"""Doubts about a measurement, declared once: bit, name and what it means.

A record carries its doubts as one integer of bits; files carry the names joined by a
space, so that a reader needs no table. Nothing else in rakelight invents a flag.
"""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flag:
    """One doubt: its bit, its name in files, whom it is about (`pit` or `photo`) and its meaning."""

    bit: int
    name: str
    about: str
    meaning: str


FLAGS: tuple[Flag, ...] = (
    Flag(1 << 0, "cut_by_border", "pit", "The photo or map ends inside this pit: size is a least size."),
    Flag(1 << 1, "near_edge", "pit", "Within 10 mm of the slab's edge or an opening: may be a chip."),
    Flag(1 << 2, "depth_unknown", "pit", "No usable shadow: the depth is not known, which does not mean shallow."),
    Flag(1 << 3, "lamp_side_unknown", "pit", "Sorted without knowing the lamp's side: confidence is lower."),
    Flag(1 << 4, "below_countable", "pit", "Smaller than the smallest size this photo can be trusted to show."),
    Flag(1 << 5, "merged", "pit", "Touches a neighbour: the split between the two is a judgement."),
    Flag(1 << 6, "outline_guess", "pit", "The outline was weak: the size comes from the blob's scale, not from its rim."),
    Flag(1 << 7, "added_by_hand", "pit", "Added or resized by the person, not found by the program."),
    Flag(1 << 8, "character", "pit", "The person decided to leave it as character."),
    Flag(1 << 9, "in_honeycomb", "pit", "Part of a honeycomb patch: repair the patch, not the pit."),
    Flag(1 << 10, "cut_by_opening", "pit", "An opening or a mask ends inside this pit: size is a least size."),
    Flag(1 << 11, "clipped", "pit", "Part of the pit is pure black or pure white in the photo."),
    Flag(1 << 16, "lamp_side_contradicted", "photo", "The photo looks lit from the other side than was said."),
    Flag(1 << 17, "perspective_ignored", "photo", "Scale from one length only: perspective was not corrected."),
    Flag(1 << 18, "lens_not_corrected", "photo", "Lens distortion was not known and not corrected."),
    Flag(1 << 19, "no_grey_reference", "photo", "No grey reference: only differences inside one photo mean anything."),
    Flag(1 << 20, "scale_off_face", "photo", "The scale aid may lie above or below the face."),
    Flag(1 << 21, "lamp_angle_unknown", "photo", "The lamp's angle was not given or seen: no depth can be stated."),
    Flag(1 << 22, "drift_not_separated", "photo", "One soft photo: a slow drift of tone may be lamp or slab."),
)

_BY_NAME = {flag.name: flag for flag in FLAGS}


def flag_bit(name: str) -> int:
    """Return the bit of a flag by its name; an unknown name is a programming error (KeyError)."""
    return _BY_NAME[name].bit


def join_flags(names: Iterable[str]) -> int:
    """Return the bits of several flag names together."""
    bits = 0
    for name in names:
        bits |= flag_bit(name)
    return bits


def flag_names(bits: int) -> str:
    """Return the names of all bits that are set, joined by a space (empty when none)."""
    return " ".join(flag.name for flag in FLAGS if int(bits) & flag.bit)


def parse_flags(names: str) -> int:
    """Return the bits from names as written in files."""
    return join_flags(names.split())
