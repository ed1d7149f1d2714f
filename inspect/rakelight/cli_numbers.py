"""Numbers as people type them: 0.25 or 0,25, and several of them separated by commas."""

from typing import Any

import click

from .core.errors import SettingsError
from .core.units import parse_number


class PlainNumber(click.ParamType):
    """One number; a decimal comma is understood."""

    name = "number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number, or fail with one sentence."""
        if isinstance(value, (int, float)):
            return float(value)
        try:
            return parse_number(str(value))
        except SettingsError as error:
            self.fail(str(error), param, ctx)


class Numbers(click.ParamType):
    """Numbers separated by commas, as many as allowed, such as 12,40.5."""

    name = "numbers"

    def __init__(self, *counts: int) -> None:
        self.counts = counts

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Return the numbers, or fail with one sentence."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) not in self.counts:
            wanted = " or ".join(str(count) for count in self.counts)
            self.fail(
                f"write {wanted} numbers separated by commas, decimals with a point, not {value!r}",
                param,
                ctx,
            )
        return numbers


NUMBER = PlainNumber()
