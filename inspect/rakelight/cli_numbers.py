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


class LampSide(PlainNumber):
    """Side the light comes from: degrees of the plan, or its name such as left or top right."""

    name = "side"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return degrees clockwise from up, or fail with one sentence."""
        from .light.lamp import read_side

        named = read_side(str(value))
        if named is not None:
            return named
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(
                f"Write 0 for top, 90 right, 180 bottom, 270 left, or the word, not {value!r}.",
                param,
                ctx,
            )


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
