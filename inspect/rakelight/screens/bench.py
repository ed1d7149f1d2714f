"""The bench: which drafts are being measured now, at most two at a time, each in its own process."""

import os
import subprocess
import sys
import threading
import time

from .drafts import ENVIRONMENT, Progress, desk_folder, read_progress, write_progress
from .measuring import end_progress

AT_ONCE = 2


class Bench:
    """Starts, watches and stops the measuring of drafts; one for the whole program.

    Further drafts wait their turn in the order they came. Whatever ends a process, its draft's
    progress says so in a sentence.
    """

    def __init__(self, at_once: int = AT_ONCE) -> None:
        self._places = threading.BoundedSemaphore(at_once)
        self._lock = threading.Lock()
        self._known: dict[str, subprocess.Popen | None] = {}

    def start(self, uid: str) -> None:
        """Begin to measure a draft, or to wait for a place; a draft already under way goes on."""
        with self._lock:
            if uid in self._known:
                return
            self._known[uid] = None
        write_progress(uid, Progress("waiting", started_at=time.time()))
        threading.Thread(target=self._run, args=(uid,), daemon=True).start()

    def stop(self, uid: str) -> None:
        """Stop a draft at once; what was measured before stays as it was."""
        with self._lock:
            process = self._known.pop(uid, None)
        end_progress(uid, "stopped", "Stopped; the photos are kept.")
        if process is not None:
            process.kill()

    def is_busy(self, uid: str) -> bool:
        """Whether a draft is waiting or being measured by this program."""
        with self._lock:
            return uid in self._known

    def look_up(self, uid: str) -> Progress:
        """Return how far a draft is; one that was cut off by a restart is told so."""
        progress = read_progress(uid)
        if progress.state in ("waiting", "measuring") and not self.is_busy(uid):
            progress = read_progress(uid)  # it may have ended between the two looks
            if progress.state in ("waiting", "measuring"):
                end_progress(uid, "stopped", "The program was closed meanwhile; measure again.")
                return read_progress(uid)
        return progress

    def _run(self, uid: str) -> None:
        with self._places:
            with self._lock:
                if uid not in self._known:  # stopped while waiting
                    return
                self._known[uid] = process = _begin(uid)
            process.wait()
            with self._lock:
                is_ours = self._known.pop(uid, None) is not None
            if is_ours and read_progress(uid).state in ("waiting", "measuring"):
                sentence = (
                    "The measuring ended unexpectedly, perhaps for want of memory; try again."
                )
                end_progress(uid, "failed", sentence)


def _begin(uid: str) -> subprocess.Popen:
    # -P: a stray file in the folder the program was started from must not be taken for a module.
    command = [sys.executable, "-P", "-m", "rakelight.screens.measuring", uid]
    environment = {**os.environ, ENVIRONMENT: str(desk_folder().resolve())}
    return subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL)
