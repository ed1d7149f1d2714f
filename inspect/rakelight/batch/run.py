"""The way of a batch: list, leave out what is done, inspect, note, sum up.

A batch never stops for one photo. A photo that cannot be read keeps its sentence; a worker that
dies is replaced, the photos it may have had in hand are tried again one at a time, and the one
that kills its worker again is set aside.
"""

import concurrent.futures as futures
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..core.errors import RakelightError, SettingsError
from ..core.settings import BatchSettings
from .ledger import find_done, hold_out, make_key, note_done
from .manifest import BatchItem, parse_scale
from .pools import ClusterPool, LocalPool
from .storage import read_bytes
from .work import Order, Outcome, Task

WAITING = "waiting"
MEASURED = "measured"
FAILED = "failed"
DIED = "This photo needs more memory or time than this computer gives one photo; give a smaller one."


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a batch is; per_min and left_s count only what was measured in this run."""

    n_items: int
    n_measured: int = 0
    n_known: int = 0
    n_failed: int = 0
    per_min: float = 0.0
    left_s: float = float("nan")

    @property
    def n_settled(self) -> int:
        """Photos that need no more work in this run."""
        return self.n_measured + self.n_known + self.n_failed


@dataclass(slots=True)
class Row:
    """One item on its way: what is known of it so far."""

    item: BatchItem
    state: str = WAITING
    figures: dict[str, Any] = field(default_factory=dict)
    sentence: str = ""
    n_tries: int = 0


@dataclass(frozen=True, slots=True)
class BatchResult:
    """All rows in the order of the manifest, and whether the run was stopped on the way."""

    rows: tuple[Row, ...]
    progress: Progress
    is_stopped: bool = False


Tell = Callable[[Progress], None]


def run_batch(
    items: Sequence[BatchItem],
    order: Order,
    out: Path,
    *,
    pool: LocalPool | ClusterPool,
    settings: BatchSettings = BatchSettings(),
    tell: Tell = lambda progress: None,
) -> BatchResult:
    """Return what became of every photo; finished ones are noted in `out` at once.

    Parameters
    ----------
    items : sequence of BatchItem
    order : Order
        Settings, log and agreement for all of them.
    out : Path
        Folder that remembers what is done; held by this run.
    pool : LocalPool or ClusterPool
        Closed at the end.
    tell : callable
        Told after every photo how far the batch is.

    Raises
    ------
    OutputError
        When the folder cannot be written or another batch holds it.

    Errors of the answer
    --------------------
    Stopped with Ctrl-C, the photos in hand are finished and noted. Killed, only the photos in hand
    (twice the number of workers at most) are done again.

    Source: our choice.
    """
    with hold_out(out):
        batch = _Batch([Row(item) for item in items], order, out, pool, settings, tell)
        is_stopped = False
        try:
            batch.work()
        except KeyboardInterrupt:
            is_stopped = True
            batch.finish_in_hand()
        except BaseException:
            pool.close(is_hurried=True)
            raise
        pool.close()
        return BatchResult(tuple(batch.rows), batch.progress(), is_stopped)


class _Batch:
    """The state of one run: what waits, what is in hand, what is settled."""

    def __init__(self, rows, order, out, pool, settings, tell) -> None:
        self.rows: list[Row] = rows
        self.order: Order = order
        self.out: Path = out
        self.pool = pool
        self.settings: BatchSettings = settings
        self.tell: Tell = tell
        self.waiting = deque(range(len(rows)))
        self.suspects: deque[int] = deque()
        self.in_hand: dict[futures.Future, tuple[int, str]] = {}
        self.n_known = self.n_measured = self.n_failed = 0
        self.started = time.monotonic()  # never the clock on the wall, which may be set back

    def work(self) -> None:
        """Settle every row."""
        while self.waiting or self.suspects or self.in_hand:
            self._fill()
            if not self.in_hand:
                continue
            done, _ = futures.wait(self.in_hand, return_when=futures.FIRST_COMPLETED)
            self._collect(done)

    def finish_in_hand(self) -> None:
        """Note what the workers still finish; a second Ctrl-C leaves without waiting for them."""
        try:
            for future in list(self.in_hand):
                if future.cancel():
                    del self.in_hand[future]
            self._collect(futures.wait(self.in_hand).done)
        except KeyboardInterrupt:
            self.pool.close(is_hurried=True)

    def progress(self) -> Progress:
        """Return how far the batch is."""
        passed_s = max(time.monotonic() - self.started, 1e-9)
        n_left = len(self.rows) - self.n_measured - self.n_known - self.n_failed
        rate = self.n_measured / passed_s
        return Progress(
            len(self.rows), self.n_measured, self.n_known, self.n_failed,
            per_min=rate * 60, left_s=n_left / rate if rate else float("nan"),
        )  # fmt: skip

    def _fill(self) -> None:
        """Give work to the pool: suspects one at a time, all others two per worker."""
        if self.suspects:
            if not self.in_hand:
                self._start(self.suspects.popleft())
            return
        while self.waiting and len(self.in_hand) < 2 * self.pool.n_workers:
            if not self._start(self.waiting.popleft()):
                return

    def _start(self, number: int) -> bool:
        """Settle a row at once, or give it to the pool; False when the pool is found broken."""
        row = self.rows[number]
        try:
            if row.item.trouble:
                raise SettingsError(row.item.trouble)
            task = read_task(row.item, self.order)
        except RakelightError as error:
            self._fail(row, str(error))
            return True
        figures = find_done(self.out, task.key)
        if figures is not None:
            row.state, row.figures = MEASURED, figures
            self.n_known += 1
            self.tell(self.progress())
            return True
        try:
            future = self.pool.submit(task, self.order)
        except futures.BrokenExecutor:
            self.waiting.appendleft(number)
            if not self.in_hand:
                self.pool.renew()
            return False
        row.n_tries += 1
        self.in_hand[future] = (number, task.key)
        return True

    def _collect(self, done: set[futures.Future]) -> None:
        is_broken = any(isinstance(_find_error(future), futures.BrokenExecutor) for future in done)
        if is_broken:  # then all others in hand broke as well, but for those just finished
            done = futures.wait(self.in_hand).done
        for future in done:
            number, key = self.in_hand.pop(future)
            error = _find_error(future)
            if error is None:
                self._settle(number, future.result())
            elif isinstance(error, (futures.BrokenExecutor, futures.CancelledError)):
                self._suspect(number)
            else:
                self._settle(number, Outcome(key, sentence=_say_fault(error), can_retry=True))
        if is_broken:
            self.pool.renew()

    def _suspect(self, number: int) -> None:
        """Try a photo alone that was in hand when a worker died, and give up after some times."""
        row = self.rows[number]
        if row.n_tries > self.settings.retries:
            self._fail(row, DIED)
        else:
            self.suspects.append(number)

    def _settle(self, number: int, outcome: Outcome) -> None:
        row = self.rows[number]
        if not outcome.sentence:
            note_done(self.out, outcome.key, outcome.figures)
            row.state, row.figures = MEASURED, outcome.figures
            self.n_measured += 1
            self.tell(self.progress())
        elif outcome.can_retry and row.n_tries <= self.settings.retries:
            self.waiting.append(number)
        else:
            self._fail(row, outcome.sentence)

    def _fail(self, row: Row, sentence: str) -> None:
        row.state, row.sentence = FAILED, sentence
        self.n_failed += 1
        self.tell(self.progress())


def read_task(item: BatchItem, order: Order) -> Task:
    """Return an item with all bytes it needs and its key; a RakelightError when one is missing."""
    marks = parse_scale(item.scale).get("marks")
    files = {
        "photo": read_bytes(item.photo),
        "soft_light": read_bytes(item.soft_light) if item.soft_light else None,
        "marks": read_bytes(marks) if marks else None,
    }
    return Task(make_key(item, files, order), item, **files)


def make_order(
    settings, *, log: str = "", log_photos: str = "", agreed: str = "", rates: str = ""
) -> Order:
    """Return an order; the log is made here, so that no worker makes another elsewhere."""
    from ..grade.agreed import read_agreed
    from ..repair.plan import read_rates

    for path, read in ((agreed, read_agreed), (rates, read_rates)):
        if path:
            read(path)  # a wrong file is one sentence now and not one per photo
    if log:
        from ..log.connection import open_log

        with open_log(log, photos=log_photos or None):
            pass
        if "://" not in log:
            log = str(Path(log).expanduser().resolve())
    return Order(
        settings.to_mapping(),
        log=log,
        log_photos=str(Path(log_photos).expanduser().resolve()) if log_photos else "",
        agreed=Path(agreed).read_bytes() if agreed else None,
        rates=Path(rates).read_bytes() if rates else None,
    )


def choose_pool(
    *, n_workers: int = 0, scheduler: str = "", settings: BatchSettings = BatchSettings()
) -> LocalPool | ClusterPool:
    """Return the cluster at an address, else processes of this machine (0: one per core)."""
    import os

    if scheduler:
        return ClusterPool(scheduler)
    n_cores = (
        len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    )
    n_workers = n_workers or n_cores
    return LocalPool(
        n_workers, threads=max(1, n_cores // n_workers), limit_s=settings.photo_limit_s
    )


def _find_error(future: futures.Future) -> BaseException | None:
    """What a finished future raised; None when it has a result."""
    return futures.CancelledError() if future.cancelled() else future.exception()


def _say_fault(error: BaseException) -> str:
    if type(error).__name__ == "KilledWorker":  # Dask's word for it; its class needs the extra
        return DIED
    first = (str(error).splitlines() or [""])[0][:160]
    return f"The program failed on this photo ({type(error).__name__}: {first}); please report it with the photo."
