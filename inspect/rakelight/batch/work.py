"""One photo of a batch, inspected where it can be: the very same function in a pool and on Dask.

A task carries everything it needs as bytes, so that a worker on another computer needs neither
the photos nor the manifest. What comes back is small: the row of the summary. The whole record
goes into the job log from here.
"""

import dataclasses
import math
import os
import signal
import tempfile
import threading
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from ..core.clock import read_clock, settle_moment
from ..core.errors import LogError, PhotoError, RakelightError
from .manifest import BatchItem, parse_day, parse_lamp, parse_scale

if TYPE_CHECKING:
    from ..core.records import Inspection

THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
DIGITS = 10
ODD_LETTERS = frozenset(':*?"<>|')
NAME_LETTERS = 60  # at most four bytes each: below the 255 bytes that file systems allow
TOO_LONG = 75
"""Exit code of a worker that took too long over one photo (EX_TEMPFAIL of sysexits.h)."""


@dataclasses.dataclass(frozen=True, slots=True)
class Order:
    """What holds for every photo of a batch.

    settings : as `Settings.to_mapping` gives them. log : where the job log is, empty for none.
    log_photos : its photo folder on a server. agreed, rates : bytes of those files, or None.
    limit_s : longest time for one photo in a worker of our own; 0 for none.
    """

    settings: dict[str, Any]
    log: str = ""
    log_photos: str = ""
    agreed: bytes | None = None
    rates: bytes | None = None
    limit_s: float = 0.0


@dataclasses.dataclass(frozen=True, slots=True)
class Task:
    """One photo with its bytes; key names photo, words, settings and version together."""

    key: str
    item: BatchItem
    photo: bytes
    soft_light: bytes | None = None
    marks: bytes | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one task: figures for the summary, or one sentence saying why not."""

    key: str
    figures: dict[str, Any] = dataclasses.field(default_factory=dict)
    sentence: str = ""
    can_retry: bool = False


def inspect_task(task: Task, order: Order) -> Outcome:
    """Return what one photo says, after its whole record has been kept in the log."""
    clock = threading.Timer(order.limit_s, os._exit, (TOO_LONG,)) if order.limit_s else None
    if clock is not None:
        clock.daemon = True
        clock.start()
    try:
        return _inspect(task, order)
    except LogError as error:
        return Outcome(task.key, sentence=str(error), can_retry=True)
    except RakelightError as error:
        return Outcome(task.key, sentence=str(error))
    except MemoryError:
        sentence = "There was not enough memory for this photo; run with fewer workers."
        return Outcome(task.key, sentence=sentence, can_retry=True)
    except OSError as error:
        sentence = f"The computer refused: {error.strerror or error}; run again."
        return Outcome(task.key, sentence=sentence, can_retry=True)
    finally:
        if clock is not None:
            clock.cancel()


def start_worker(threads: int) -> None:
    """Make a fresh process a good worker: few threads, deaf to Ctrl-C, gone when its parent is."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what Ctrl-C means
    for name in THREAD_VARIABLES:
        os.environ[name] = str(threads)
    import cv2

    cv2.setNumThreads(threads)
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this process as soon as its parent has: a killed batch leaves nothing running."""
    import multiprocessing
    from multiprocessing.connection import wait

    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def _inspect(task: Task, order: Order) -> Outcome:
    from ..core.settings import Settings
    from ..inspection import inspect_photo

    settings = Settings.from_mapping(order.settings)
    with tempfile.TemporaryDirectory(prefix="rakelight-") as name:
        folder = Path(name)
        photo = _put(folder, task.item.photo, task.photo)
        given = _make_given(task, order, folder)
        inspection = _make_comparable(inspect_photo(photo, given, settings=settings))
        if "complaint_no_photo" in inspection.quality.checks:
            raise PhotoError(inspection.quality.advice[0])  # a screenshot is no slab of the job
        uid = _keep(inspection, task, order, photo) if order.log else ""
    return Outcome(task.key, {**sum_up(inspection), "inspection": uid})


def _put(folder: Path, name: str, data: bytes) -> Path:
    """Write a file under the last part of its name and return its path."""
    last = PurePosixPath(name.replace("\\", "/")).name[-NAME_LETTERS:]
    plain = "".join(letter for letter in last if letter.isprintable() and letter not in ODD_LETTERS)
    path = Path(tempfile.mkdtemp(dir=folder)) / (plain or "photo")
    path.write_bytes(data)
    return path


def _make_given(task: Task, order: Order, folder: Path) -> Any:
    from ..inspection import Given

    scale = parse_scale(task.item.scale)
    if "marks" in scale:
        scale["marks"] = _put(folder, "marks.toml", task.marks or b"")
    files = {
        "agreed": ("agreed.toml", order.agreed),
        "rates": ("rates.toml", order.rates),
        "soft_light": (task.item.soft_light, task.soft_light),
    }
    put = {name: _put(folder, *file) for name, file in files.items() if file[1] is not None}
    words = {"job": task.item.job, "slab": task.item.slab, "stage": task.item.stage}
    words |= {"mix": task.item.mix, "mould": task.item.mould}
    job = {name: word for name, word in words.items() if word}
    return Given(**scale, **put, lamp=parse_lamp(task.item.lamp), job=job)


def _make_comparable(inspection: "Inspection") -> "Inspection":
    """The record without what makes two equal runs differ: how long the search took, and last digits.

    The last of sixteen digits depends on how many threads a worker's libraries use for a sum.
    """
    figures = {name: value for name, value in inspection.plan.figures.items() if name != "seconds"}
    plan = dataclasses.replace(inspection.plan, figures=figures)
    steps = {name: getattr(inspection, name) for name in ("quality", "lamp", "grade", "colour")}
    rounded = {name: _round_floats(step) for name, step in (steps | {"plan": plan}).items()}
    return dataclasses.replace(inspection, **rounded)


def _round_floats(value: Any) -> Any:
    """The value with its floats to DIGITS digits, in records, mappings and lists; tables as they are."""
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}")
    if isinstance(value, dict):
        return {name: _round_floats(inner) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return type(value)(_round_floats(inner) for inner in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in dataclasses.fields(value)]
        changed = {name: _round_floats(getattr(value, name)) for name in names}
        return dataclasses.replace(value, **changed)
    return value


def _keep(inspection: "Inspection", task: Task, order: Order, photo: Path) -> str:
    from ..log.store import SurveyPlace, save_inspection

    log = _open_log(order.log, order.log_photos)
    taken_at = settle_moment(inspection.photos, parse_day(task.item.day))
    place = SurveyPlace(task.item.job, task.item.slab, task.item.stage, taken_at=taken_at)
    return save_inspection(log, inspection, place, photos=(photo,), who="batch")


@lru_cache(maxsize=4)
def _open_log(where: str, photos: str) -> Any:
    from ..log.connection import open_log

    if "://" not in where and not Path(where).exists():
        raise LogError(
            f"The computer that measured this photo cannot reach the log {where}; "
            "use PostgreSQL, or a folder that all computers share."
        )
    return open_log(where, photos=photos or None)


def sum_up(inspection: "Inspection") -> dict[str, Any]:
    """Return the figures of one inspection that a row of the summary holds; its pits are the countable ones."""
    from ..core.tables import countable
    from ..report.facts import name_doubt

    pits, seen_m2 = inspection.pits[countable(inspection.pits)], inspection.face.seen_mm2 / 1e6
    kinds = pits["kind"].value_counts()
    moment = read_clock(inspection.photos)
    return {
        "sha256": inspection.photos[0]["sha256"],
        "camera_day": moment.date().isoformat() if moment else "",
        "verdict": name_doubt(inspection),
        "n_pits": len(pits),
        "n_pinholes": int(kinds.get("pinhole", 0)),
        "n_bug_holes": int(kinds.get("bug_hole", 0)),
        "n_voids": int(kinds.get("void", 0)),
        "pits_per_m2": len(pits) / seen_m2 if seen_m2 else math.nan,
        "area_share": float(pits["area_mm2"].sum()) / 1e6 / seen_m2 if seen_m2 else math.nan,
        "largest_mm": float(pits["diameter_mm"].max()) if len(pits) else math.nan,
        "seen_m2": seen_m2,
        "smallest_mm": float(inspection.settings["find"]["smallest_mm"]),
        "smallest_countable_mm": float(inspection.quality.smallest_countable_mm),
        "minutes": float(inspection.plan.figures.get("minutes", math.nan)),
        "version": inspection.version,
        "warnings": " ".join(inspection.warnings),
    }
