"""How a setting is declared: default, meaning, unit, allowed range and source, checked when it is made."""

import dataclasses
import math
from collections.abc import Mapping
from typing import Any, Self

from .checks import check_choice, check_number
from .errors import SettingsError

OUR_CHOICE = "our choice"


def setting(
    default: Any,
    meaning: str,
    *,
    unit: str = "",
    low: float = -math.inf,
    high: float = math.inf,
    choices: tuple[str, ...] = (),
    source: str = OUR_CHOICE,
) -> Any:
    """Return a dataclass field that knows its meaning, unit, range and source."""
    return dataclasses.field(
        default=default,
        metadata={
            "meaning": meaning,
            "unit": unit,
            "low": low,
            "high": high,
            "choices": choices,
            "source": source,
        },
    )


class CheckedSettings:
    """Mix-in that checks every field against its declared range when made."""

    __slots__ = ()

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):  # type: ignore[arg-type]
            _check_field(field, getattr(self, field.name))

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> Self:
        """Return settings from a (nested) mapping as `to_mapping` makes it; an unknown name is a SettingsError."""
        known = {field.name: field for field in dataclasses.fields(cls)}  # type: ignore[arg-type]
        unknown = sorted(set(values) - set(known))
        if unknown:
            raise SettingsError(
                f"{cls.__name__} has no setting {unknown[0]!r}; it has {', '.join(sorted(known))}."
            )
        return cls(**{name: _read_value(known[name], value) for name, value in values.items()})

    def to_mapping(self) -> dict[str, Any]:
        """Return all settings by name, nested ones as mappings, for the saved record."""
        return dataclasses.asdict(self)  # type: ignore[call-overload]


def _read_value(field: dataclasses.Field, value: Any) -> Any:
    """The value as the field holds it: a step's own settings from its mapping."""
    step = field.default_factory
    if not isinstance(step, type) or not issubclass(step, CheckedSettings) or isinstance(value, step):
        return value
    if not isinstance(value, Mapping):
        raise SettingsError(f"{field.name} must be a table of settings, not {value!r}.")
    return step.from_mapping(value)


def _check_field(field: dataclasses.Field, value: Any) -> None:
    if dataclasses.is_dataclass(value):
        return
    if field.metadata.get("choices"):
        check_choice(value, field.name, field.metadata["choices"])
    elif isinstance(field.default, bool | str):
        if not isinstance(value, type(field.default)):
            kind = "true or false" if isinstance(field.default, bool) else "a text"
            raise SettingsError(f"{field.name} must be {kind}, not {value!r}.")
    elif isinstance(field.default, int | float):
        if isinstance(field.default, int) and value != round(check_number(value, field.name)):
            raise SettingsError(f"{field.name} must be a whole number, not {value!r}.")
        low, high = field.metadata.get("low", -math.inf), field.metadata.get("high", math.inf)
        check_number(value, field.name, low=low, high=high)
