"""Takes one value from an opened role, by link or by hand, and makes the reading of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from acq.bench.by_hand import HandInstrument, HandMeter, HandTester, Setting
from acq.bench.instruments import Instrument
from acq.errors import BenchFailure
from acq.readings.reading import Reading
from drivers.dmm import Dmm
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.values import Value

USUAL_PLC = 10.0
AS_SET = "as set, not measured"  # what stands for the text of a display


def take(
    instrument: Instrument | HandInstrument,
    quantity: str,
    *,
    range_: float | None = None,
    plc: float | None = None,
    offset_compensation: bool = False,
) -> Value:
    """Return one value. Raises InstrumentError, or BenchFailure for what it does not read."""
    match instrument:
        case Dmm() | HandMeter():
            value = instrument.measure(
                quantity,
                range_=range_,
                plc=USUAL_PLC if plc is None else plc,
                offset_compensation=offset_compensation,
            )
            # an automatic range moves with the reading: the one read back before is not known
            # to be the one it was taken in
            return value if range_ is not None else replace(value, range=None)
        case InsulationTester() | HandTester():
            return _of_tester(instrument, quantity)
        case Scanner():
            raise BenchFailure("nothing is read from the scanner")
    return instrument.read(quantity)


def as_reading(
    role: str,
    value: Value,
    *,
    range_: float | None = None,
    plc: float | None = None,
    settings: Mapping[str, Setting] | None = None,
) -> Reading:
    """Return the reading of a value; a range that the instrument states wins."""
    kept = dict(settings or {})
    return Reading(
        quantity=value.quantity,
        value=value.value,
        limit=value.limit,
        unit=value.unit,
        instrument=role,
        range_=value.range if value.range is not None else range_,
        # by hand nobody knows the integration time: its noise is the one that the manual prints
        plc=None if kept.get("by_hand") else plc,
        started_ns=value.started_ns,
        ended_ns=value.ended_ns,
        raw=value.raw,
        settings=kept,
    )


def _of_tester(tester: InsulationTester | HandTester, quantity: str) -> Value:
    if quantity == "insulation-resistance":
        return tester.read()
    value = tester.applied_volts()
    if value is not None:
        return value
    if not isinstance(tester, InsulationTester) or tester.set_volts is None:
        raise BenchFailure("insulation: this tester does not tell the voltage it applies")
    now = tester.now_ns()
    return Value("dc-voltage", tester.set_volts, None, "V", None, AS_SET, now, now)
