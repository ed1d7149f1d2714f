"""Work shared out among threads that stay: starting them anew for every step costs more than many steps.

A thread keeps the memory it worked with; a new one must ask the system for all of it again, which for
pictures takes as long as the work itself.
"""

import math
import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any

import numpy as np

_NAME = "rakelight-work"


def share_out(work: Callable[[Any], Any], parts: Iterable[Any], *, threads: int) -> list[Any]:
    """Return `work(part)` for every part, in order, worked on by so many threads at once.

    Parameters
    ----------
    work : callable
        May call `share_out` itself; what it shares out is then done in its own thread.
    parts : iterable
    threads : int
        1 works in the caller's own thread. What was asked for is passed down: there is no number to fall back on.

    Errors of the answer: the first error of a part is raised. Source: our choice.
    """
    parts = list(parts)
    if threads < 2 or len(parts) < 2 or _is_one_of_ours():
        return [work(part) for part in parts]
    return list(_open_pool(os.getpid(), threads).map(work, parts))


def _is_one_of_ours() -> bool:
    """Whether this is a thread of a pool already: waiting for others of it could wait for ever."""
    return threading.current_thread().name.startswith(_NAME)


@cache
def _open_pool(process: int, threads: int) -> ThreadPoolExecutor:
    """The threads of this process; a forked child has none of its parent's and opens its own."""
    return ThreadPoolExecutor(max_workers=threads, thread_name_prefix=_NAME)


def solve_terms(terms: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return the weights (k,) of few well-scaled terms (n, k) that fit `values` (n,) best, in this thread alone.

    NumPy's own solver wakes the threads of its algebra library even for small tables; these then wait for
    more, at full speed, for a tenth of a second, in the way of everything else.

    Errors of the answer: normal equations lose half the digits, which leaves eight for terms between -1 and 1.
    Source: least squares, textbook.
    """
    squares = np.einsum("ni,nj->ij", terms, terms)
    return np.linalg.lstsq(squares, np.einsum("ni,n->i", terms, values), rcond=None)[0]


class Room:
    """Arrays that are used again for every part of the work of one thread; what they held before is lost."""

    __slots__ = ("_held",)

    def __init__(self) -> None:
        self._held: dict[str, np.ndarray] = {}

    def take(self, name: str, shape: tuple[int, ...], dtype: Any = np.float32) -> np.ndarray:
        """Return an array of this shape with anything in it; the one taken before under `name` is gone."""
        size = math.prod(shape)
        held = self._held.get(name)
        if held is None or held.size < size or held.dtype != dtype:
            held = self._held[name] = np.empty(size, dtype)
        return held[:size].reshape(shape)


class Rooms(threading.local):
    """One `Room` for each thread that asks."""

    def __init__(self) -> None:
        self.room = Room()


ROOMS = Rooms()
"""Kept from photo to photo: memory that is new to a thread costs as much time as the work done in it."""
