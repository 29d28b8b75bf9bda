"""Types of options that several commands share."""

import math

import click

from ivkit.cli.output import FiniteNumber

BRIGHTEST = 5000.0
"""W/m2 that neither the sun nor a lamp on a bench gives."""
_ENDS = {"open": math.inf, "short": 0.0, "max": math.nan}


class Load(click.ParamType):
    """Ohm, as a number or as printed on a part; ``open``, ``short``, or ``max``imum power."""

    name = "load"

    def convert(self, value, param, ctx) -> float:  # noqa: D102
        if isinstance(value, float):
            return value
        word = str(value).strip().lower()
        if word in _ENDS:
            return _ENDS[word]
        from ivkit.errors import TableError
        from ivkit.readings.resistor_value import resistor_value

        try:
            return FiniteNumber(0, 1e9, "ohm").convert(resistor_value(value), param, ctx)
        except TableError:
            self.fail(f"{value!r} is no load: write ohm (47, 4k7), open, short or max", param, ctx)


class Irradiance(FiniteNumber):
    """W/m2, which tells lux by mistake."""

    def __init__(self, low: float = 0.0) -> None:
        super().__init__(low, BRIGHTEST, "W/m2")

    def convert(self, value, param, ctx) -> float:  # noqa: D102
        number = FiniteNumber().convert(value, param, ctx)
        if number > BRIGHTEST:
            options = [] if ctx is None else [o for p in ctx.command.params for o in p.opts]
            way = "give lux by --lux with --source" if "--lux" in options else "give W/m2, not lux"
            self.fail(
                f"{number:g} W/m2 is more than the sun or a lamp on a bench gives; it looks like "
                f"lux: {way}",
                param,
                ctx,
            )
        return super().convert(value, param, ctx)
