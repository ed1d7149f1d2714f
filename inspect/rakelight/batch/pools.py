"""Who does the work: processes of this machine, or the workers of a running Dask cluster.

Both take `inspect_task` and hand back futures of `concurrent.futures`, so that the loop of
`run` does not know which of them it has.
"""

import concurrent.futures as futures
import dataclasses
import multiprocessing
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from ..core.errors import OutputError, SettingsError
from .work import THREAD_VARIABLES, Order, Outcome, Task, inspect_task, start_worker

CONNECT_S = 20


class LocalPool:
    """Processes of this machine, started fresh; a pool that broke is replaced by `renew`."""

    def __init__(self, n_workers: int, *, threads: int, limit_s: float) -> None:
        self.n_workers = n_workers
        self._threads = threads
        self._limit_s = limit_s
        self._executor: futures.ProcessPoolExecutor | None = None

    def submit(self, task: Task, order: Order) -> "futures.Future[Outcome]":
        """Return the future of one task."""
        if self._executor is None:
            self._executor = self._start()
        order = dataclasses.replace(order, limit_s=self._limit_s)
        with _few_threads(self._threads):  # a process is started by the first tasks
            return self._executor.submit(inspect_task, task, order)

    def renew(self) -> None:
        """Let go of a broken pool; the next task starts a new one."""
        if self._executor is not None:
            self._executor.shutdown(wait=False, cancel_futures=True)
        self._executor = None

    def close(self, *, is_hurried: bool = False) -> None:
        """End the processes: after the photos in hand, or without waiting for them."""
        if self._executor is None:
            return
        if is_hurried:
            # The executor's own, by the name it keeps them under: other children are not ours to end.
            for process in list((getattr(self._executor, "_processes", None) or {}).values()):
                process.terminate()
        self._executor.shutdown(wait=True, cancel_futures=True)

    def _start(self) -> futures.ProcessPoolExecutor:
        return futures.ProcessPoolExecutor(
            self.n_workers,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=start_worker,
            initargs=(self._threads,),
        )


class ClusterPool:
    """The workers of a Dask cluster that runs already; it is left running."""

    def __init__(self, address: str, *, connect_s: float = CONNECT_S) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise SettingsError(
                'A Dask cluster needs one more package: run pip install "rakelight[cluster]".'
            ) from None
        try:
            self._client = Client(address, timeout=connect_s, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            raise SettingsError(
                f"There is no Dask scheduler at {address} ({type(error).__name__}); start one or mend the address."
            ) from None
        workers = self._client.scheduler_info(n_workers=-1)["workers"].values()
        self.n_workers = sum(worker["nthreads"] for worker in workers)
        if not self.n_workers:
            self.close()
            raise SettingsError(f"The scheduler at {address} has no worker; start one.")
        # A task that killed one worker is given to another once, no more.
        self._executor = self._client.get_executor(pure=False, retries=0)

    def submit(self, task: Task, order: Order) -> "futures.Future[Outcome]":
        """Return the future of one task; a scheduler that has gone ends the batch with one sentence."""
        if self._client.status != "running":
            raise OutputError(
                "The Dask scheduler has gone; start it and run again: the rest goes on."
            )
        with warnings.catch_warnings():
            # The photo travels inside the task, so that a lost worker loses no photo.
            warnings.filterwarnings("ignore", message="Sending large graph")
            return self._executor.submit(inspect_task, task, order)

    def renew(self) -> None:
        """Nothing to do: the scheduler looks after its workers."""

    def close(self, *, is_hurried: bool = False) -> None:
        """Leave the cluster."""
        with suppress(OSError, TimeoutError):
            self._client.close(timeout=5)


@contextmanager
def _few_threads(threads: int) -> Iterator[None]:
    """Let processes that start here inherit few threads, and put the environment back."""
    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, str(threads)))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
