"""One reading of one instrument, outside a run: nothing is switched on and no join is moved."""

from __future__ import annotations

from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.bench.hands import Hands
from acq.bench.instruments import instrument_by_hand, open_instrument
from acq.bench.roles import prove_identity
from acq.bench.taking import USUAL_PLC, as_reading, take
from acq.errors import WrongInput
from acq.readings.reading import Reading
from drivers.time import Time

QUANTITIES: dict[str, tuple[str, ...]] = {
    "dmm": ("dc-voltage", "ac-voltage", "resistance", "resistance-2-wire", "dc-current"),
    "supply": ("voltage", "current"),
    "insulation": ("insulation-resistance", "dc-voltage"),
    "source": ("dc-voltage", "dc-current"),
    "thermometer": ("temperature",),
    "hygrometer": ("relative-humidity",),
    "barometer": ("pressure",),
    "reference-indicator": ("force", "voltage-ratio"),
}
QUANTITIES["second-dmm"] = QUANTITIES["dmm"]
METERS = ("dmm", "second-dmm")


def read_once(
    file: BenchFile,
    folder: Path,
    time: Time,
    hands: Hands,
    role: str,
    quantity: str,
    range_: float | None = None,
    plc: float = USUAL_PLC,
) -> Reading:
    """Open the role, take one reading, close it. Insulation: of a test that goes on already.

    Raises WrongInput for a role or quantity that there is not, InstrumentError, BenchFailure.
    """
    entry = file.instruments.get(role)
    if entry is None:
        there = ", ".join(file.instruments)
        raise WrongInput(f"bench {file.name!r} has no {role}; it has {there}")
    known = QUANTITIES.get(role, ())
    if quantity not in known:
        can = f"read is {', '.join(known)}" if known else "nothing is read from it"
        raise WrongInput(f"{role} {quantity}: {can}")
    if entry.by_hand:
        by_hand = instrument_by_hand(role, hands, time)
        value = take(by_hand, quantity, range_=range_, plc=plc)
        return as_reading(role, value, range_=range_, settings=by_hand.told)
    with open_instrument(file, role, folder, time) as instrument:
        prove_identity(file, role, instrument)
        value = take(instrument, quantity, range_=range_, plc=plc)
    return as_reading(role, value, range_=range_, plc=plc if role in METERS else None)
