"""Lower limit factor and loading range in the manner of ASTM E74, from a calibration curve.

s_m = sqrt(sum d^2 / (n - m - 1)); the lower limit factor is 2.4 s_m in output, never below the
resolution, turned into force by the mean of the ratios force / deflection. The values live in
`tables/astm_e74.toml` with the source of each; part of them is from memory and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydantic import Field

from acq.analysis.calibration_data import CalibrationData
from acq.analysis.load_series import SeriesError
from acq.analysis.polynomial import Polynomial, fit_polynomial
from acq.analysis.propagation import Readings
from drivers.written_file import Written, read_file

SHIPPED = Path(__file__).with_name("tables") / "astm_e74.toml"


class _Sourced(Written):
    source: str


class LowerLimit(_Sourced):
    """The multiple of s_m."""

    multiplier: float = Field(gt=0)


class LoadingRange(_Sourced):
    """Lower end of the loading range of a class, as a multiple of the lower limit factor."""

    A: float = Field(gt=0)
    AA: float = Field(gt=0)


class Degree(_Sourced):
    """How a degree is chosen, and the counts that one above 2 asks for."""

    probability: float = Field(gt=0.5, lt=1)
    highest: int = Field(ge=1, le=5)
    counts_above_degree_2: float = Field(gt=0)


class Series(_Sourced):
    """How much a calibration needs at least."""

    applications: int = Field(ge=1)
    levels: int = Field(ge=2)
    runs: int = Field(ge=1)


class E74Table(Written):
    """The editable values; `status` is printed beside every figure made with them."""

    title: str
    status: str
    lower_limit_factor: LowerLimit
    loading_range: LoadingRange
    degree: Degree
    series: Series


def e74_table(path: Path = SHIPPED) -> E74Table:
    """Return the shipped table or a workshop's own; raises FileError."""
    return read_file(path, E74Table)


@dataclass(frozen=True, slots=True)
class LowerLimitFactor:
    """In output units and in load units; the loading ranges never reach below the lowest load."""

    residual_deviation: float
    in_output: float
    load_per_output: float
    in_load: float
    at_resolution: bool
    lower_limit_a: float
    lower_limit_aa: float
    notes: tuple[str, ...]


def lower_limit_factor(
    curve: Polynomial, table: E74Table, resolution: float = 0.0
) -> LowerLimitFactor:
    """Return the lower limit factor of a curve over deflections (outputs above zero).

    `resolution` is that of the indicator, in output units. Raises SeriesError without any
    deflection to form the ratio with.
    """
    ratio = mean_ratio(curve.data)
    scatter = table.lower_limit_factor.multiplier * curve.residual_deviation
    in_output = max(scatter, resolution)
    in_load = abs(ratio) * in_output
    lowest = float(np.abs(curve.data.loads[curve.data.loads != 0]).min())
    return LowerLimitFactor(
        curve.residual_deviation,
        in_output,
        ratio,
        in_load,
        in_output > scatter,
        max(table.loading_range.A * in_load, lowest),
        max(table.loading_range.AA * in_load, lowest),
        tuple(_shortfalls(curve, table, resolution)),
    )


def mean_ratio(data: CalibrationData) -> float:
    """Return the mean of load over deflection of all points that have both."""
    both = (data.loads != 0) & (data.outputs != 0)
    if not both.any():
        raise SeriesError("no deflection to form the mean ratio of load and deflection with")
    return float((data.loads[both] / data.outputs[both]).mean())


def _shortfalls(curve: Polynomial, table: E74Table, resolution: float) -> list[str]:
    needed, data = table.series, curve.data
    notes = [f"{table.title}: {table.status}"]
    for count, least, what in (
        (len(data.loads), needed.applications, "load applications"),
        (data.levels, needed.levels, "different loads"),
        (len(np.unique(data.readings.runs)), needed.runs, "runs"),
    ):
        if count < least:
            notes.append(f"{count} {what}, at least {least} are asked for ({needed.source})")
    counts = math.inf if resolution <= 0 else float(np.abs(data.outputs).max()) / resolution
    if curve.degree > 2 and counts < table.degree.counts_above_degree_2:
        notes.append(
            f"degree {curve.degree} with {counts:.0f} counts: above degree 2 more than "
            f"{table.degree.counts_above_degree_2:.0f} are asked for ({table.degree.source})"
        )
    return notes


def degree_factor(levels: int, degree: int, probability: float = 0.975) -> float:
    """Return C(n, m) = sqrt(1 + (F(1, n - m - 1) - 1) / (n - m)): from memory, unconfirmed.

    F is the quantile at `probability`. A higher degree is worth it where the residual standard
    deviation falls by more than this factor.
    """
    from scipy.special import fdtri

    freedom = levels - degree - 1
    if freedom < 1:
        raise SeriesError(f"degree {degree} needs more than {degree + 1} loads, there are {levels}")
    return math.sqrt(1.0 + (float(fdtri(1, freedom, probability)) - 1.0) / (levels - degree))


def degree_by_factors(data: CalibrationData, table: E74Table) -> int:
    """Return the highest degree whose term pays, on the mean output at each load.

    Tried from the highest down; degree 1 remains. The criterion is from memory, unconfirmed.
    """
    means = CalibrationData.plain(_level_means(data))
    highest = min(table.degree.highest, means.levels - 2)
    spreads = {m: fit_polynomial(means, m).residual_deviation for m in range(1, highest + 1)}
    for degree in range(highest, 1, -1):
        factor = degree_factor(means.levels, degree, table.degree.probability)
        if spreads[degree - 1] > factor * spreads[degree]:
            return degree
    return 1


def _level_means(data: CalibrationData) -> Readings:
    levels, codes = np.unique(data.loads, return_inverse=True)
    means = np.bincount(codes, weights=data.outputs) / np.bincount(codes)
    return Readings(means, levels, np.ones(len(levels), dtype=np.int64))
