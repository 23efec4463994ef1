"""The instruments of a scenario: which one stands in each role, and what the bench file says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from simulated_bench.instruments import (
    insulation_tester,
    meter_functions,
    power_supply,
    source,
    thermometer,
)
from simulated_bench.instruments.accuracy import Limit
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.insulation_request import RequestTester
from simulated_bench.instruments.insulation_start_poll import StartPollTester
from simulated_bench.instruments.insulation_stream import StreamTester
from simulated_bench.instruments.insulation_tester import Tester
from simulated_bench.instruments.meter_settings import Manner
from simulated_bench.instruments.multimeter import Multimeter
from simulated_bench.instruments.power_supply import PowerSupply
from simulated_bench.instruments.scanner import Scanner
from simulated_bench.instruments.source import Source
from simulated_bench.instruments.supply_outputs import ListSupply, SelectSupply
from simulated_bench.instruments.thermometer import ReadByEye, Thermometer
from simulated_bench.scenario import MANNERS, InstrumentTable, Role

if TYPE_CHECKING:
    from simulated_bench.bench import Bench

DAYS_A_YEAR = 365.25
SERIALS: dict[str, tuple[str, str]] = {
    "dmm": ("DMM 6.5", "0417"),
    "second-dmm": ("DMM 6.5", "0418"),
    "supply": ("SUPPLY 20-0.5", "0233"),
    "insulation": ("INSULATION", "0051"),
    "source": ("SOURCE MV-MA", "0077"),
    "scanner": ("MATRIX 11X8", "0108"),
    "thermometer": ("THERMOMETER", "0312"),
    "hygrometer": ("HYGROMETER", "0090"),
    "barometer": ("BAROMETER", "0045"),
    "reference-indicator": ("REFERENCE INDICATOR", "0061"),
}
METER_MANNERS: dict[str, Manner] = {
    "scpi-dmm": "configure",
    "scpi-dmm-function": "function",
    "scpi-dmm-measure": "measure",
}
SUPPLIES = {
    "scpi-supply": PowerSupply,
    "scpi-supply-select": SelectSupply,
    "scpi-supply-list": ListSupply,
}
HUMIDITY = (Limit("relative-humidity", None, absolute=2.0),)
PRESSURE = (Limit("pressure", None, absolute=100.0),)
FORCE = (Limit("force", None, absolute=0.05),)
"""Its gain belongs to the reference cell's own certificate."""
FIGURES: dict[str, Sequence[Limit]] = {
    "dmm": meter_functions.accuracy(),
    "second-dmm": meter_functions.accuracy(),
    "supply": power_supply.ACCURACY,
    "insulation": insulation_tester.ACCURACY,
    "source": source.ACCURACY,
    "scanner": (),
    "thermometer": thermometer.ACCURACY,
    "hygrometer": HUMIDITY,
    "barometer": PRESSURE,
    "reference-indicator": FORCE,
}


@dataclass(frozen=True, slots=True)
class Standing:
    """An instrument on the bench with what its bench file entry says."""

    device: Instrument
    manner: str
    identification: str
    accuracy: tuple[Limit, ...]
    serial_line: bool
    by_hand: bool
    calibrated: date
    due: date

    @property
    def number(self) -> str:
        """Its serial number."""
        return SERIALS[self.device.name][1]


def identification(role: str) -> str:
    """Return what an instrument answers to the question who it is."""
    kind, number = SERIALS[role]
    return f"EXAMPLE,{kind},{number},1.0"


def stand(bench: Bench, role: Role, table: InstrumentTable, days: tuple[date, date]) -> Standing:
    """Put the instrument of a role on the bench."""
    manner = table.manner or MANNERS[role][0]
    bench.error_scale[role] = table.errors * table.accuracy
    bench.years[role] = (bench.start.date() - days[0]).days / DAYS_A_YEAR
    device, name = _made(bench, role, manner, table)
    return Standing(
        device,
        manner,
        name,
        tuple(_scaled(limit, table.accuracy) for limit in FIGURES[role]),
        serial_line=isinstance(device, Tester),
        by_hand=table.by_hand or isinstance(device, ReadByEye),
        calibrated=days[0],
        due=days[1],
    )


def _made(bench: Bench, role: Role, manner: str, table: InstrumentTable) -> tuple[Instrument, str]:
    name = identification(role)
    match role:
        case "dmm" | "second-dmm":
            meter = Multimeter(role, bench, name, METER_MANNERS[manner])
            bench.electrical[role] = meter
            return meter, name
        case "supply":
            supply = SUPPLIES[manner](role, bench, name)
            bench.electrical[role] = supply
            bench.supplies.append(supply)
            return supply, name
        case "insulation":
            tester, name = _tester(bench, manner, name)
            tester.first_volts = table.volts or tester.first_volts
            tester.power_up()
            bench.electrical[role] = tester
            bench.testers.append(tester)
            return tester, name
        case "source":
            output = Source(role, bench, name, earthed=table.earthed)
            bench.electrical[role] = output
            return output, name
        case "scanner":
            scanner = Scanner(role, bench.events, name, list(bench.crosspoints), bench.relay)
            scanner.stuck = set(table.stuck)
            return scanner, name
        case "thermometer":
            return Thermometer(role, bench, name), name
        case "hygrometer":
            return ReadByEye(role, bench.events, lambda: f"{bench.humidity():.1f} percent"), ""
        case "barometer":
            return ReadByEye(role, bench.events, lambda: f"{bench.pascals():.0f} Pa"), ""
        case "reference-indicator":
            return ReadByEye(role, bench.events, lambda: f"{_indicated(bench):.2f} N"), ""


def _indicated(bench: Bench) -> float:
    """What the indicator of the reference cell in the rig shows."""
    loading = getattr(bench.cell, "loading", None)
    return loading.indicated(bench.force()) if loading is not None else 0.0


def _tester(bench: Bench, manner: str, name: str) -> tuple[Tester, str]:
    match manner:
        case "line-insulation-request":
            return RequestTester("insulation", bench), ""
        case "line-insulation-stream":
            return StreamTester("insulation", bench), ""
    return StartPollTester("insulation", bench, name), name


def _scaled(limit: Limit, factor: float) -> Limit:
    """Return the promise of a worse (or better) instrument of the same kind."""
    linearity = None if limit.linearity_ppm is None else limit.linearity_ppm * factor
    return replace(
        limit,
        reading_ppm=limit.reading_ppm * factor,
        range_ppm=limit.range_ppm * factor,
        absolute=limit.absolute * factor,
        linearity_ppm=linearity,
    )
