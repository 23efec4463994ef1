"""Numbers on the command line: finite ones, within what the option may be."""

from __future__ import annotations

import math
from typing import Any

import click


class Number(click.FloatRange):
    """A finite number; what else Python reads as one (`nan`, `inf`, `1e400`) is refused."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number; fails with one line."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is no finite number", param, ctx)
        return number


NUMBER = Number()
POSITIVE = Number(min=0.0, min_open=True)
NOT_NEGATIVE = Number(min=0.0)
