"""What a person states about the uncertainty of readings and loads: options or a file.

Options cover the usual case in four numbers; the file takes any influence with what it moves
together. All are standard uncertainties (k = 1).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import click
from pydantic import Field

from acq.analysis.propagation import Influence, Shared
from acq.desk.load_units import Units, split_unit
from acq.desk.numbers import NOT_NEGATIVE
from acq.errors import WrongInput
from drivers.written_file import FileError, Written, read_file

PPM = 1e-6


class WrittenInfluence(Written):
    """One entry of an influence file; `unit` is ppm or % where relative, else a unit."""

    name: str
    on: Literal["output", "load"]
    standard_uncertainty: float = Field(ge=0)
    unit: str
    shared: Shared
    degrees_of_freedom: float = Field(default=math.inf, gt=0)


class InfluenceFile(Written):
    """`[[influence]]` entries."""

    influence: tuple[WrittenInfluence, ...]


def uncertainty_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that state uncertainties."""
    for option in reversed(
        (
            click.option(
                "--reading-uncertainty",
                metavar="OUTPUT",
                help="Standard uncertainty of each reading by itself, in the output unit.",
            ),
            click.option(
                "--gain-uncertainty",
                type=NOT_NEGATIVE,
                metavar="PPM",
                help="Standard uncertainty common to all readings, ppm of the output.",
            ),
            click.option(
                "--load-uncertainty",
                type=NOT_NEGATIVE,
                metavar="PPM",
                help="Standard uncertainty of the loads, ppm; one set of weights is off together.",
            ),
            click.option(
                "--influences",
                type=click.Path(path_type=Path),
                metavar="FILE.toml",
                help="Influences with what each moves together: series, level, run or reading.",
            ),
        )
    ):
        command = option(command)
    return command


def stated_influences(
    units: Units,
    *,
    reading: str | None,
    gain_ppm: float | None,
    load_ppm: float | None,
    file: Path | None,
) -> tuple[Influence, ...]:
    """Return what the options and the file state; raises WrongInput or FileError."""
    found: list[Influence] = []
    if reading is not None:
        size = abs(units.read_output(reading))
        found.append(Influence(name="reading", standard_uncertainty=size))
    for name, ppm, on in (("gain", gain_ppm, "output"), ("loads", load_ppm, "load")):
        if ppm is not None:
            found.append(_common(name, ppm, on))
    if file is not None:
        entries = read_file(file, InfluenceFile).influence
        found += [_influence(file, place, entry, units) for place, entry in enumerate(entries)]
    return tuple(found)


def _common(name: str, ppm: float, on: str) -> Influence:
    return Influence(
        name=name,
        standard_uncertainty=ppm * PPM,
        on="load" if on == "load" else "output",
        relative=True,
        shared=Shared.SERIES,
    )


def _influence(file: Path, place: int, entry: WrittenInfluence, units: Units) -> Influence:
    relative = {"ppm": PPM, "%": 0.01}.get(entry.unit)
    size = entry.standard_uncertainty * (relative if relative else 1.0)
    if relative is None:
        try:
            text = f"{entry.standard_uncertainty!r} {entry.unit}"
            size = units.read_output(text) if entry.on == "output" else _load(text, units)
        except WrongInput as error:
            raise FileError(file, f"influence.{place}.unit", f"{error}, or ppm, or %") from None
    return Influence(
        name=entry.name,
        standard_uncertainty=size,
        on=entry.on,
        relative=relative is not None,
        shared=entry.shared,
        degrees_of_freedom=entry.degrees_of_freedom,
    )


def _load(text: str, units: Units) -> float:
    split_unit(text, "a load")
    return units.read_load(text, "an uncertainty of the load")
