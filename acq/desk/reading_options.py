"""Options that `live` and `log` share."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from acq.desk.numbers import POSITIVE

F = TypeVar("F", bound=Callable[..., Any])

_OPTIONS = (
    click.option("--cell", "serial", required=True, help="Serial number of the cell."),
    click.option("--plan", default="", help="A shipped plan's name, or a TOML file."),
    click.option("--bench", type=click.Path(path_type=Path), help="Bench file."),
    click.option("--simulated", is_flag=True, help="On the simulated bench, without hardware."),
    click.option("--scenario", default="healthy", help="Scenario of the simulated bench."),
    click.option("--seed", type=int, help="Seed of the simulated bench."),
    click.option("--pace", type=POSITIVE, help="Simulated bench seconds per second."),
    click.option("--records", help="Database address; or BRIDGEBENCH_RECORDS."),
    click.option("--by", "performer", default="", help="Who performs; the login name by default."),
    click.option("--indication-only", is_flag=True, help="Go on with an overdue instrument."),
    click.option("--prompts", is_flag=True, help="Answer prompts yourself on the simulated bench."),
    click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output."),
)


def reading_options(command: F) -> F:
    """Add the options that every run of readings has."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


class Duration(click.ParamType):  # type: ignore[type-arg]
    """ "90 s", "15 min", "8 h", "3 d", or seconds."""

    name = "time"
    _UNITS = ((("s", ""), 1.0), (("min", "m"), 60.0), (("h",), 3600.0), (("d",), 86400.0))

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return seconds."""
        if isinstance(value, float):
            return value
        match = re.fullmatch(r"\s*(\d+(?:\.\d*)?)\s*([a-z]*)\s*", str(value))
        known = [s for names, s in self._UNITS if match is not None and match[2] in names]
        if match is None or not known or float(match[1]) == 0.0:
            self.fail(f"{value!r}: a time such as '90 s', '15 min', '8 h' or '3 d'", param, ctx)
        return float(match[1]) * known[0]


DURATION = Duration()
