"""Checks at the door: each names the argument and says what would be right."""

import errno
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from .errors import RakelightError, SettingsError

TOML_RULES = "decimals are written with a point, words in quotes."
"""What people get wrong most in the files they write."""


def check_number(
    value: float,
    name: str,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    error: type[RakelightError] = SettingsError,
) -> float:
    """Return `value` as a float, or raise `error` unless it is finite and within `low`..`high`."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise error(f"{name} must be a number, not {value!r}.") from None
    if not math.isfinite(number) or number < low or number > high:
        raise error(f"{name} must be {_describe_range(low, high)}, not {value!r}.")
    return number


def check_positive(
    value: float, name: str, *, error: type[RakelightError] = SettingsError
) -> float:
    """Return `value` as a float, or raise `error` unless it is finite and above zero."""
    number = check_number(value, name, error=error)
    if number <= 0:
        raise error(f"{name} must be greater than 0, not {value!r}.")
    return number


def check_choice(
    value: str, name: str, choices: Iterable[str], *, error: type[RakelightError] = SettingsError
) -> str:
    """Return `value`, or raise `error` naming the allowed words."""
    allowed = list(choices)
    if value not in allowed:
        raise error(f"{name} must be one of {', '.join(allowed)}, not {value!r}.")
    return value


def is_finite(value: Any) -> bool:
    """Return whether `value` is a number that is neither NaN nor infinite."""
    try:
        return math.isfinite(value)
    except TypeError:
        return False


def read_text(path: str | Path, what: str, *, error: type[RakelightError] = SettingsError) -> str:
    """Return the text of a file that a person wrote; `what` it holds is named when it cannot be had."""
    path = Path(path)
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise error(f"There is no file {path}; check the name of the file with {what}.") from None
    except UnicodeDecodeError:
        raise error(f"{path} is not text in UTF-8; save the file with {what} as such.") from None
    except (OSError, ValueError):
        word = "is a folder" if path.is_dir() else "cannot be read"
        raise error(f"{path} {word}; name the file with {what}.") from None


def say_write_trouble(trouble: OSError, path: str | Path) -> str:
    """Return in one sentence why a file or folder cannot be written and what to do."""
    if trouble.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"The disk of {path} is full; make room and run again."
    if trouble.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{path} cannot be written; close its open files or choose a place that is yours."
    if trouble.errno == errno.EBUSY:
        return f"{path} cannot be replaced as a whole; name a folder inside it."
    if trouble.errno == errno.ENAMETOOLONG:
        return f"The name {Path(path).name[:40]}... is too long; choose a shorter one."
    if trouble.errno in (errno.ENOTDIR, errno.EEXIST):
        return f"A part of {path} is a file; name another place."
    if trouble.errno == errno.ENOENT:
        return f"There is no folder {Path(path).parent}; make it or name another place."
    if trouble.errno == errno.EISDIR:
        return f"{path} is a folder; name a file inside it."
    return f"{path} cannot be written; choose another place, or see what is wrong with its disk."


def _describe_range(low: float, high: float) -> str:
    if math.isinf(low) and math.isinf(high):
        return "a finite number"
    if math.isinf(high):
        return f"at least {low:g}"
    if math.isinf(low):
        return f"at most {high:g}"
    return f"between {low:g} and {high:g}"
