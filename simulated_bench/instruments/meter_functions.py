"""Functions, ranges and promised accuracy of the simulated 6.5-digit multimeter (invented)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simulated_bench.electrical import Ammeter, Ohmmeter, Voltmeter
from simulated_bench.instruments.accuracy import Limit

OVERRANGE = 1.2
"""A range shows up to 120 % of its name."""


@dataclass(frozen=True, slots=True)
class Range:
    """One range: its name in SI, the promise, noise in units of the 100 mV range's, test current.

    `noise` is what multiplies volts of noise referred to the most sensitive range so that it
    is in the function's unit.
    """

    limit: Limit
    noise: float
    test_amps: float = 0.0
    compliance_volts: float = 0.0
    burden_ohms: float = 0.0

    @property
    def name(self) -> float:
        """The range's nominal full scale."""
        return self.limit.range or 0.0


@dataclass(frozen=True, slots=True)
class Function:
    """One measuring function: its SCPI name, header pattern, unit and ranges, smallest first."""

    name: str
    header: str
    quantity: str
    unit: str
    ranges: tuple[Range, ...]

    def holding(self, value: float) -> Range | None:
        """Return the smallest range whose name is at least `value`."""
        return next((r for r in self.ranges if r.name >= value * (1 - 1e-9)), None)


def _volts(name: float, reading: float, of_range: float, noise: float) -> Range:
    limit = Limit(
        "dc-voltage",
        name,
        reading,
        of_range,
        offset_share=0.9,
        linearity_ppm=min(2.0, 0.1 * of_range),
        reading_ppm_per_kelvin=5.0,
        range_ppm_per_kelvin=1.0,
        noise=0.11e-6 * noise,
        input_ohms=1e10 if name <= 10 else 1e7,
    )
    return Range(limit, noise)


def _ohms(
    quantity: str, name: float, ppm: tuple[float, float], test: float, scale: float, extra: float
) -> Range:
    noise = scale / test
    limit = Limit(
        quantity,
        name,
        ppm[0],
        ppm[1],
        absolute=extra,
        offset_share=0.8,
        linearity_ppm=2.0,
        reading_ppm_per_kelvin=6.0,
        range_ppm_per_kelvin=1.0,
        noise=0.11e-6 * noise,
    )
    compliance = max(2.0 * name * test, 8.0)
    return Range(limit, noise, test_amps=test, compliance_volts=min(compliance, 12.0))


def _amps(name: float, reading: float, of_range: float, burden: float) -> Range:
    noise = 1.0 / burden
    limit = Limit(
        "dc-current",
        name,
        reading,
        of_range,
        offset_share=0.9,
        reading_ppm_per_kelvin=20.0,
        range_ppm_per_kelvin=5.0,
        noise=0.11e-6 * noise,
    )
    return Range(limit, noise, burden_ohms=burden)


_OHM_ROWS = (
    (100.0, (100.0, 40.0), 1e-3, 1.0),
    (1e3, (100.0, 10.0), 1e-3, 1.0),
    (1e4, (100.0, 10.0), 1e-4, 1.0),
    (1e5, (100.0, 10.0), 1e-5, 1.0),
    (1e6, (100.0, 10.0), 5e-6, 5.0),
    (1e7, (400.0, 10.0), 5e-7, 5.0),
    (1e8, (8000.0, 100.0), 5e-8, 5.0),
)
FUNCTIONS: Mapping[str, Function] = {
    f.name: f
    for f in (
        Function(
            "VOLT",
            "VOLTage[:DC]",
            "dc-voltage",
            "V",
            (
                _volts(0.1, 50.0, 35.0, 1.0),
                _volts(1.0, 40.0, 7.0, 2.0),
                _volts(10.0, 35.0, 5.0, 10.0),
                _volts(100.0, 45.0, 6.0, 100.0),
                _volts(1000.0, 45.0, 10.0, 1000.0),
            ),
        ),
        Function(
            "VOLT:AC",
            "VOLTage:AC",
            "ac-voltage",
            "V",
            tuple(
                Range(Limit("ac-voltage", name, 600.0, 300.0), 100.0 * name)
                for name in (0.1, 1.0, 10.0, 100.0)
            ),
        ),
        Function(
            "RES",
            "RESistance",
            "resistance-2-wire",
            "OHM",
            tuple(_ohms("resistance-2-wire", *row, 0.2) for row in _OHM_ROWS),
        ),
        Function(
            "FRES",
            "FRESistance",
            "resistance",
            "OHM",
            tuple(_ohms("resistance", *row, 0.0) for row in _OHM_ROWS),
        ),
        Function(
            "CURR",
            "CURRent[:DC]",
            "dc-current",
            "A",
            (
                _amps(1e-4, 500.0, 250.0, 100.0),
                _amps(1e-2, 500.0, 200.0, 5.0),
                _amps(0.1, 500.0, 50.0, 5.0),
                _amps(1.0, 1000.0, 100.0, 0.1),
            ),
        ),
    )
}


def input_of(
    function: str, range_: Range, *, high_input: bool, source_on: bool, bias_amps: float
) -> Voltmeter | Ohmmeter | Ammeter:
    """Return what the meter's terminals are for the circuit."""
    if function in ("RES", "FRES"):
        return Ohmmeter(
            wires=4 if function == "FRES" else 2,
            test_amps=range_.test_amps,
            source_on=source_on,
            compliance_volts=range_.compliance_volts,
        )
    if function == "CURR":
        return Ammeter(burden_ohms=range_.burden_ohms)
    high = high_input and function == "VOLT" and range_.name <= 10
    return Voltmeter(input_ohms=1e10 if high else 1e7, bias_amps=bias_amps)


def accuracy() -> tuple[Limit, ...]:
    """Return the promise for all functions and ranges."""
    return tuple(r.limit for f in FUNCTIONS.values() for r in f.ranges)
