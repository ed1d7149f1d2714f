"""The bench: which errands are being worked on now, at most two at a time, each in its own process."""

import os
import subprocess
import sys
import threading
import time

from . import desk

AT_ONCE = 2


class Turn:
    """One start of an errand; its process, once it has a place. A stopped one is never taken for its heir."""

    def __init__(self) -> None:
        self.process: subprocess.Popen | None = None


class Bench:
    """Starts, watches and stops errands; one bench for the whole program.

    Further errands wait their turn in the order they came. Whatever ends a process, the errand's
    progress says so in a sentence.
    """

    def __init__(self, at_once: int = AT_ONCE) -> None:
        self._places = threading.BoundedSemaphore(at_once)
        self._lock = threading.Lock()
        self._known: dict[tuple[str, str], Turn] = {}

    def start(self, what: str, uid: str) -> None:
        """Begin an errand, or to wait for a place; one that is already under way goes on."""
        desk.read_progress(what, uid)  # an id that is not ours ends here
        with self._lock:
            if (what, uid) in self._known:
                return
            self._known[what, uid] = turn = Turn()
        desk.write_progress(what, uid, desk.Progress("waiting", started_at=time.time()))
        threading.Thread(target=self._run, args=(what, uid, turn), daemon=True).start()

    def stop(self, what: str, uid: str) -> None:
        """Stop an errand at once; what was there before stays as it was."""
        with self._lock:
            turn = self._known.pop((what, uid), None)
        if turn is not None and turn.process is not None:
            turn.process.kill()
            turn.process.wait()
        desk.end_progress(what, uid, "stopped", "Stopped. Everything else is kept as it was.")

    def is_busy(self, what: str, uid: str) -> bool:
        """Whether an errand is waiting or being worked on by this program."""
        with self._lock:
            return (what, uid) in self._known

    def look_up(self, what: str, uid: str) -> desk.Progress:
        """Return how far an errand is; one that was cut off by a restart is told so."""
        progress = desk.read_progress(what, uid)
        if progress.is_under_way and not self.is_busy(what, uid):
            progress = desk.read_progress(what, uid)  # it may have ended between the two looks
            if progress.is_under_way:
                sentence = "The program was closed meanwhile; start it again."
                desk.end_progress(what, uid, "stopped", sentence)
                return desk.read_progress(what, uid)
        return progress

    def _run(self, what: str, uid: str, turn: Turn) -> None:
        with self._places:
            with self._lock:
                if self._known.get((what, uid)) is not turn:  # stopped while waiting
                    return
                turn.process = _begin(what, uid)
            turn.process.wait()
            with self._lock:
                is_ours = self._known.get((what, uid)) is turn
                if is_ours:
                    del self._known[what, uid]
            if is_ours and desk.read_progress(what, uid).is_under_way:
                sentence = "This ended unexpectedly, perhaps for want of memory; try it again."
                desk.end_progress(what, uid, "failed", sentence)


def _begin(what: str, uid: str) -> subprocess.Popen:
    # -P: a stray file in the folder the program was started from must not be taken for a module.
    command = [sys.executable, "-P", "-m", "rakelight.screens.errands", what, uid]
    environment = {**os.environ, desk.ENVIRONMENT: str(desk.desk_folder().resolve())}
    return subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL)
