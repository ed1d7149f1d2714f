"""The whole job on the sample photos, as a newcomer would see it.

Reads `samples.toml` beside the photos, inspects the panel before and after its repair and the re-lit
plaster, compares before with after, and ends by naming what it wrote.
"""

import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from .core.errors import PhotoError
from .core.records import Inspection
from .core.settings import Settings
from .inspection import Given, inspect_photo
from .light.lamp import build_lamp
from .report.folder import write_inspection

RUNS = (
    ("before", "before_raking.jpg", "before_soft_light.jpg"),
    ("after", "after_raking.jpg", "after_soft_light.jpg"),
    ("tilted", "before_raking_tilted.jpg", None),
    ("plaster", "relit_plaster.jpg", None),
)


def run_demo(
    samples: Path,
    out: Path,
    *,
    settings: Settings = Settings(),
    progress: Callable[[str], None] = lambda step: None,
) -> Iterator[str]:
    """Inspect the sample photos into folders of `out` and yield the lines that say so.

    Parameters
    ----------
    samples : Path
        Folder with `samples.toml` and the photos it names.
    out : Path
        Folder to write to; one folder per run is made in it.
    """
    notes = read_samples(samples)
    surveys: dict[str, Inspection] = {}
    for name, raking, soft_light in RUNS:
        progress(f"{name}: {raking}")
        given = given_for(notes, samples, raking, soft_light)
        surveys[name] = inspect_photo(samples / raking, given, settings=settings, progress=progress)
        files = write_inspection(surveys[name], out / name, settings=settings.report)
        yield f"{name}: {len(surveys[name].pits)} pits. Wrote"
        yield from (f"  {file}" for file in files)
    yield from compare_panel(surveys, samples, out, progress)
    yield f"Print this and take it to the slab: {out / 'before' / 'work_sheet.pdf'}"


def read_samples(samples: Path) -> dict[str, dict[str, Any]]:
    """Return what is noted about each sample photo, by file name."""
    try:
        text = (samples / "samples.toml").read_text(encoding="utf-8")
        return {entry["file"]: entry for entry in tomllib.loads(text)["photo"]}
    except OSError:
        raise PhotoError(
            f"There is no samples.toml in {samples}; run this in the project's folder or name the samples with --samples."
        ) from None
    except (ValueError, KeyError, TypeError, RecursionError):
        raise PhotoError(f"samples.toml in {samples} is damaged; bring it back.") from None


def given_for(
    notes: dict[str, dict[str, Any]], samples: Path, raking: str, soft_light: str | None
) -> Given:
    """Return what is known about one sample photo as a person would have said it."""
    try:
        return _given_for(notes, samples, raking, soft_light)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise PhotoError(
            f"samples.toml in {samples} does not say enough about {raking}; bring it back."
        ) from None


def _given_for(
    notes: dict[str, dict[str, Any]], samples: Path, raking: str, soft_light: str | None
) -> Given:
    entry = notes[raking]
    lamp = (
        build_lamp(at_mm=tuple(entry["lamp_at_mm"]))
        if "lamp_at_mm" in entry
        else build_lamp(entry["lamp_from_deg"], entry["lamp_angle_deg"])
    )
    soft = notes.get(soft_light or "", {})
    grey = (
        (*soft["grey_card_mm"], soft["grey_card_reflectance"]) if "grey_card_mm" in soft else None
    )
    return Given(
        mm_per_px=entry.get("mm_per_px"),
        corners_px=entry.get("corners_px"),
        slab_mm=tuple(entry["slab_mm"]) if "corners_px" in entry else None,
        lamp=lamp,
        soft_light=samples / soft_light if soft_light else None,
        grey_card=grey,
        job={
            "job": "Pottery studio bench (made up)",
            "slab": entry["slab_name"],
            "stage": entry["stage"],
        },
    )


def compare_panel(
    surveys: dict[str, Inspection], samples: Path, out: Path, progress: Callable[[str], None]
) -> Iterator[str]:
    """Hold the repaired panel against itself before, write the change folder and yield what became of the pits."""
    from .compare.change import compare_surveys
    from .compare.tones import measure_tones
    from .report.comparison import write_comparison

    progress("comparing before and after")
    before, after = surveys["before"], surveys["after"]
    soft_light = next(soft for name, _, soft in RUNS if name == "after")
    tones = measure_tones(compare_surveys(before, after), after, samples / soft_light)
    comparison = compare_surveys(before, after, tones=tones)
    files = write_comparison(comparison, before, after, out / "change")
    yield f"Before and after: {comparison.figures['sentence']} Wrote"
    yield from (f"  {file}" for file in files)
