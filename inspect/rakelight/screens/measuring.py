"""The measuring of one draft, in a process of its own: `python -m rakelight.screens.measuring ID`.

A process of its own can be stopped at once, gives its memory back, and lets the screens answer
while it works. It reads the draft, calls `inspect_photo`, writes the files and says how far it is;
it imports nothing of the screens' frame.
"""

import math
import sys
import time
from collections.abc import Callable

from rakelight.core.errors import RakelightError, ScaleError
from rakelight.core.records import Lamp
from rakelight.core.settings import Settings
from rakelight.core.units import parse_size_mm

from .drafts import (
    Draft,
    Progress,
    load_draft,
    papers_folder,
    place_photo,
    read_progress,
    write_progress,
)

# Where each step begins on the bar; measured on a 10 megapixel photo, our choice.
_SHARES = {
    "reading": 0.02, "telling": 0.10, "finding": 0.25, "sorting": 0.45, "grading": 0.65, "writing": 0.75,
}  # fmt: skip


def measure_draft(uid: str) -> None:
    """Measure a draft and write its files; progress.json ends as done or failed, never half-way."""
    tell = _make_teller(uid)
    try:
        draft = load_draft(uid)
        tell("reading the program")
        _measure(draft, tell)
        end_progress(uid, "done")
    except RakelightError as trouble:
        end_progress(uid, "failed", str(trouble))
    except MemoryError:
        end_progress(
            uid, "failed", "There is not enough memory for this photo; give a smaller one."
        )
    except OSError as trouble:
        end_progress(uid, "failed", f"The computer refused: {trouble.strerror or trouble}.")


def end_progress(uid: str, state: str, sentence: str = "") -> None:
    """Write how the measuring of a draft ended."""
    share = 1.0 if state == "done" else read_progress(uid).share
    started_at = read_progress(uid).started_at
    write_progress(uid, Progress(state, "", share, sentence, started_at, time.time()))


def _measure(draft: Draft, tell: Callable[[str], None]) -> None:
    # Late, so that the first word of progress is there before the heavy packages are.
    from rakelight.inspection import inspect_photo
    from rakelight.report.folder import write_inspection

    photo = draft.find_photo("raking")
    if photo is None:
        raise ScaleError("Choose a raking-light photo first.")
    given, settings = describe_given(draft)
    path = place_photo(draft.uid, photo)
    inspection = inspect_photo(path, given, settings=settings, progress=tell)
    tell("writing the map and the pages")
    write_inspection(inspection, papers_folder(draft.uid), settings=settings.report)


def describe_given(draft: Draft):
    """Return (Given, Settings): what was said in a draft, as the steps take it."""
    from rakelight.inspection import Given, change_settings

    settings = change_settings(
        Settings(), find={"smallest_mm": draft.smallest_mm}, report={"units": draft.units}
    )
    soft = draft.find_photo("soft")
    job = {"job": draft.job, "slab": draft.slab, "stage": draft.stage}
    given = Given(
        **_describe_scale(draft),
        lamp=describe_lamp(draft.lamp_from_deg, draft.lamp_angle_deg),
        soft_light=place_photo(draft.uid, soft) if soft else None,
        job={name: value for name, value in job.items() if value},
    )
    return given, settings


def _describe_scale(draft: Draft) -> dict:
    if draft.scale_way == "mm_per_px":
        return {"mm_per_px": draft.mm_per_px}
    if draft.scale_way == "card":
        return {}
    if not draft.corners_px:
        raise ScaleError("Give the four corners of the slab, so that pits can be sized in mm.")
    return {"corners_px": draft.corners_px, "slab_mm": parse_size_mm(draft.slab_size)}


def describe_lamp(from_deg: float | None, angle_deg: float | None) -> Lamp:
    """Return the lamp as said; not known stays not known."""
    if from_deg is None and angle_deg is None:
        return Lamp()
    return Lamp(
        math.nan if from_deg is None else from_deg % 360,
        math.nan if angle_deg is None else angle_deg,
        basis="said",
    )


def _make_teller(uid: str) -> Callable[[str], None]:
    started_at = time.time()

    def tell(step: str) -> None:
        share = max(_SHARES.get(step.split()[0], 0.0), read_progress(uid).share)
        write_progress(uid, Progress("measuring", step, share, "", started_at))

    return tell


if __name__ == "__main__":
    measure_draft(sys.argv[1])
