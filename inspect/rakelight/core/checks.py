"""Checks at the door: each names the argument and says what would be right."""

import math
from collections.abc import Iterable
from typing import Any

from .errors import RakelightError, SettingsError


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


def _describe_range(low: float, high: float) -> str:
    if math.isinf(low) and math.isinf(high):
        return "a finite number"
    if math.isinf(high):
        return f"at least {low:g}"
    if math.isinf(low):
        return f"at most {high:g}"
    return f"between {low:g} and {high:g}"
