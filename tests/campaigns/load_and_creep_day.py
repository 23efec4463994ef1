"""A day at the load rig on the simulated circuit: warm-up, preloads, three runs, creep and return.

    python -m tests.campaigns.load_and_creep_day

prints how many seconds of the bench pass in one of the processor's. All slow physics is on:
room, body and gauge temperature, creep, hysteresis, swing, charges, drift and noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from time import process_time

from simulated_bench.cell import CellDescription
from simulated_bench.elements import Part
from simulated_bench.load_cell import LoadCell
from simulated_bench.noise import ReadingNoise
from simulated_bench.response import Response
from simulated_bench.rig import Rig
from simulated_bench.room import Room, Wave
from simulated_bench.timed_circuit import Piece, TimedCircuit
from tests.simulated_bench.reference import supply, voltmeter

CAPACITY = 4905.9
# An invented 500 kg shear beam.
RESPONSE = Response(
    capacity_newtons=CAPACITY,
    rated_output=2.0011e-3,
    zero=-6.4e-6,
    nonlinearity=-9.0e-5,
    hysteresis=1.09e-4,
    creep=-8e-5,
    zero_per_kelvin=1.4e-6,
    span_per_kelvin=1.1e-6,
    warm_up_per_watt=3e-4,
    span_per_watt=-1e-3,
    reference_watts=100.0 / 384.0,
)
WINDOW_S = 0.2
EVERY_S = 1.0


@dataclass(slots=True)
class Day:
    """One cell, excited with 10 V, read every second for 200 ms at signal and excitation."""

    cell: LoadCell
    noise: ReadingNoise
    circuit: TimedCircuit = field(init=False)
    seconds: float = 0.0
    readings: int = 0

    def __post_init__(self) -> None:
        instruments: list[Part] = [*supply(), *voltmeter()]
        self.circuit = TimedCircuit(
            lambda length: [*self.cell.parts(length), *instruments], lambda: self.cell.capacitors
        )
        self.cell.heated_by(self.circuit.now())

    def stay(self, seconds: float, every: float = EVERY_S) -> Iterator[float]:
        """Yield a reading in V/V every so often."""
        for _ in range(round(seconds / every)):
            yield self._reading()
            self._pass(every - WINDOW_S, looking=False)

    def load(self, share: float) -> None:
        """Load the cell with a share of its capacity."""
        self.cell.load(share * CAPACITY)
        self.circuit.changed()

    def _reading(self) -> float:
        noise = self.noise.mean(round(self.seconds * 1e9), WINDOW_S)
        pieces = self._pass(WINDOW_S)
        signal = sum(p.seconds * (p.point.volt("dmm HI", "dmm LO") or 0.0) for p in pieces)
        excitation = sum(p.seconds * (p.point.volt("pad Ex+", "pad Ex-") or 0.0) for p in pieces)
        self.readings += 1
        return (signal + noise * WINDOW_S) / excitation

    def _pass(self, seconds: float, *, looking: bool = True) -> list[Piece]:
        pieces = self.circuit.step(seconds) if looking else []
        if not looking:
            self.circuit.coast(seconds)
        self.cell.advance(seconds)
        self.seconds += seconds
        return pieces


def run(scale: float = 1.0) -> tuple[Day, dict[str, list[float]]]:
    """Return the day and its readings by part; `scale` shortens every stay."""
    room = Room(((0.0, 22.0),), (Wave(0.4, 5400.0, 1.1), Wave(1.5, 86_400.0, 0.3)))
    day = Day(
        LoadCell(CellDescription(), RESPONSE, room, rig=Rig(), seed=7), ReadingNoise(7, "dmm")
    )
    found: dict[str, list[float]] = {"warm-up": list(day.stay(1800 * scale, 10.0))}
    for _ in range(3):
        for share in (1.0, 0.0):
            day.load(share)
            found["preload"] = list(day.stay(60 * scale))
    for number in range(3):
        for way, steps in (("up", range(11)), ("down", range(9, -1, -1))):
            for step in steps:
                day.load(step / 10)
                found[f"run {number} {way} {step}"] = list(day.stay(120 * scale))
    list(day.stay(3600 * scale, 10.0))
    for name, share in (("creep", 1.0), ("return", 0.0)):
        day.load(share)
        found[name] = list(day.stay(1800 * scale))
    return day, found


def main() -> None:
    """Run the whole day and print what it took."""
    start = process_time()
    day, _ = run()
    spent = process_time() - start
    hours = day.seconds / 3600
    print(f"{hours:.2f} h of bench, {day.readings} readings, {spent:.1f} s of processor")  # noqa: T201
    print(f"bench seconds per processor second: {day.seconds / spent:.0f}")  # noqa: T201


if __name__ == "__main__":
    main()
