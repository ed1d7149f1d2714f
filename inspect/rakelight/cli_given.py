"""What the options of `inspect` say, as the steps take it; checked before anything is measured."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from .core.errors import ColourError, LampError, OutputError, ScaleError
from .core.units import parse_size_mm


def read_options(options: dict[str, Any]) -> tuple[Any, Any]:
    """Return (Given, Settings) from the options of `inspect`."""
    from .core.settings import Settings
    from .inspection import Given, change_settings
    from .light.lamp import build_lamp
    from .pits.pins import parse_pin, read_pins
    from .scale.zones import read_zones

    find = {"smallest_mm": options["smallest"], "threads": options["threads"]}
    settings = change_settings(
        Settings(),
        find={name: value for name, value in find.items() if value is not None},
        report={"units": options["units"]},
    )
    face = name_face(options["face"], options["slab_name"])
    job = {"job": options["job"], "stage": options["stage"], **face}
    given = Given(
        mm_per_px=options["mm_per_px"],
        corners_px=parse_corners(options["corners"]),
        slab_mm=parse_size_mm(options["slab"]) if options["slab"] else None,
        marks=options["marks"],
        printed_rule_mm=options["printed_rule"],
        lens=options["lens"],
        zones=read_zones(options["zones"]) if options["zones"] else (),
        lamp=build_lamp(options["lamp_from"], options["lamp_angle"], options["lamp_at"]),
        other_lamps=tuple(read_other_lamp(text) for text in options["other_lamps"]),
        pin_depths=(
            *map(parse_pin, options["pins"]),
            *(read_pins(options["pin_file"]) if options["pin_file"] else ()),
        ),
        soft_light=options["soft_light"],
        soft_corners_px=parse_corners(options["soft_corners"]),
        flat_field=options["flat_field"],
        turned=options["turned"],
        patches=options["patches"],
        grey_card=options["grey_card"],
        schemes=options["schemes"] or None,
        agreed=options["agreed"],
        rates=options["rates"],
        job={key: value for key, value in job.items() if value},
        face_name=face.get("face", ""),
    )
    return given, settings


def name_face(said: str, slab_name: str) -> dict[str, str]:
    """Return what the job keeps of the face: another than the top has a name, and a slab's name of its own on pages."""
    from .grade.agreed import TOP

    face_name = said.strip()
    if face_name.casefold() in ("", TOP):
        return {"slab": slab_name}
    return {"slab": ", ".join(name for name in (slab_name, face_name) if name), "face": face_name}


def check_first(given: Any, out: Path) -> None:
    """Raise, before anything is measured, the sentence about the first file or place that cannot be used.

    Every photo is opened at a quarter of its size; files written by hand are read as they will be later.
    """
    from .grade.agreed import narrow_to_face, read_agreed
    from .grade.schemes import choose_schemes, read_schemes
    from .photo.read import read_photo
    from .repair.plan import read_rates
    from .report.folder import check_place
    from .scale.marks import read_marks
    from .soft_light import read_patches

    check_place(out)
    choose_schemes(read_schemes(), given.schemes)
    files = (
        (given.marks, read_marks),
        (given.agreed, lambda path: narrow_to_face(read_agreed(path), given.face_name)),
        (given.rates, read_rates),
        (given.patches, read_patches),
    )
    for path, read in files:
        if path is not None:
            read(path)
    soft = [given.soft_light, given.flat_field, given.turned]
    for path in (*soft, *(photo for photo, _ in given.other_lamps)):
        if path is not None:
            read_photo(path, choose_shrink=lambda shape_px: 4)
    check_company(given)


def check_survey(out: Path, photos: Sequence[Path]) -> None:
    """Raise an OutputError when `out` holds the inspection of other photos: one survey never takes another's place."""
    from .core.codec import hash_bytes

    try:
        summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
        name, kept = str(summary["photo"]["name"]), {photo["sha256"] for photo in summary["photos"]}
        ours = {hash_bytes(path.read_bytes()) for path in photos}
    except (OSError, ValueError, KeyError, TypeError):
        return  # nothing there that can be known, or a photo that its reading will tell of
    if not kept & ours:
        raise OutputError(
            f"{out} holds the inspection of {name}; name another folder with --out, or remove this one first."
        )


def check_company(given: Any) -> None:
    """Raise a ColourError when something was given that only a soft-light photo makes sense of."""
    alone = {
        "--soft-corners": given.soft_corners_px,
        "--flat-field": given.flat_field,
        "--turned": given.turned,
        "--patches": given.patches,
        "--grey-card": given.grey_card,
    }
    named = [name for name, value in alone.items() if value is not None]
    if named and given.soft_light is None:
        raise ColourError(f"{named[0]} goes with a soft-light photo; name it with --soft-light.")


def parse_corners(text: str | None) -> tuple[tuple[float, float], ...] | None:
    """Return four (x, y) from 'x,y x,y x,y x,y', or None when nothing was given."""
    if text is None:
        return None
    try:
        corners = tuple(tuple(float(part) for part in corner.split(",")) for corner in text.split())
    except ValueError:
        corners = ()
    if len(corners) != 4 or any(len(corner) != 2 for corner in corners):
        raise ScaleError(
            f"Write the corners as 'x,y x,y x,y x,y' in photo pixels, decimals with a point, not {text!r}."
        )
    return corners


def read_other_lamp(text: str) -> tuple[Path, Any]:
    """Return (photo, lamp) from 'PHOTO,FROM' or 'PHOTO,FROM,ANGLE'; the photo's name may hold commas."""
    from .light.lamp import build_lamp

    parts = text.rsplit(",", 2)
    numbers: list[float] = []
    while len(parts) > 1 and len(numbers) < 2:
        try:
            numbers.insert(0, float(parts[-1]))
        except ValueError:
            break
        parts.pop()
    if not numbers or not parts[0]:
        raise LampError(
            f"Write --other-lamp as PHOTO,FROM or PHOTO,FROM,ANGLE, not {text!r}: the lamp's side must be said."
        )
    return Path(",".join(parts)), build_lamp(*numbers)
