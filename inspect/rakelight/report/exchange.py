"""What the system can do with folders: let two change places in one step, hold one for a run."""

import ctypes
import os
import sys
from pathlib import Path

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2  # Linux, renameat2; and RENAME_SWAP of macOS, renamex_np: the same number


def exchange_folders(one: Path, other: Path) -> bool:
    """Return True when the two folders have changed places in one step, False when they cannot.

    Errors of the answer: none; on False nothing was done. Source: manual pages of renameat2
    (Linux 3.15 and later) and renamex_np (macOS 10.12 and later), from memory.
    """
    if not sys.platform.startswith(("linux", "darwin")):
        return False
    try:
        system = ctypes.CDLL(None, use_errno=True)
        names = os.fsencode(one), os.fsencode(other)
        if sys.platform.startswith("linux"):
            failed = system.renameat2(
                _AT_FDCWD, names[0], _AT_FDCWD, names[1], ctypes.c_uint(_RENAME_EXCHANGE)
            )
        else:
            failed = system.renamex_np(names[0], names[1], ctypes.c_uint(_RENAME_EXCHANGE))
    except (OSError, AttributeError):
        return False
    return failed == 0


def hold_folder(folder: Path) -> int | None:
    """Return an open handle that marks a folder as in use until it is closed or the process dies.

    None where the system has no such locks on folders (Windows, some network file systems).
    """
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def is_folder_held(folder: Path) -> bool | None:
    """Return whether a living run holds a folder; None when the system cannot tell."""
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(handle)
    return False
