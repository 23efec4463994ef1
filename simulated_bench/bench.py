"""Everything on the bench as one circuit, and how its time goes on between events.

Clips and relays join instrument terminals to leads. A change anywhere is announced first, so
that integrations that run see the state before it up to that instant and the one after it from
then on: a reading is the true mean over its window.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from simulated_bench.circuit import Circuit, Point
from simulated_bench.electrical import EARTH, Contact, contact, earth_parts
from simulated_bench.elements import Element, Part, Regulated, build
from simulated_bench.events import NS, Events
from simulated_bench.instruments.power_supply import PowerSupply
from simulated_bench.instruments.site import Electrical, Probe
from simulated_bench.regulation import Floats
from simulated_bench.specimen import Specimen

HAND_CLIP = Contact(closed_ohms=0.02)


@dataclass(slots=True)
class Running:
    """An integration under way."""

    bench: Bench
    probe: Probe
    begun: int
    sum: float = 0.0
    none: bool = False

    def mean(self) -> float | None:
        """Close the window; return the mean of what was probed, None where no number exists."""
        return self.bench.close(self)


@dataclass(frozen=True, slots=True)
class Crosspoint:
    """A relay of the scanner between a terminal and a lead."""

    channel: int
    terminal: str
    lead: str
    how: Contact


class Bench:
    """The circuit of the bench, its open windows and its slow states."""

    def __init__(self, seed: int, start: datetime, specimen: Specimen, mains_hertz: float) -> None:
        self.events = Events()
        self.seed = seed
        self.start = start
        self.specimen = specimen
        self.mains_hertz = mains_hertz
        self.room_celsius = specimen.celsius
        self.electrical: dict[str, Electrical] = {}
        self.supplies: list[PowerSupply] = []
        self.clips: dict[str, str] = {}
        self.crosspoints: dict[int, Crosspoint] = {}
        self.closed: set[int] = set()
        self.earthed: Sequence[Element] = earth_parts()
        self.solves = 0
        self._settled_at = 0
        self._windows: list[Running] = []
        self._circuit: Circuit | None = None
        self._shape: tuple[tuple[object, ...], ...] = ()
        self._point: tuple[int, Point] | None = None
        self._relays: list[Element] | None = None

    # ---- what instruments ask

    def changing(self) -> None:
        """Something electrical changes at this instant: settle what ran until now."""
        self._settle()
        self._point = None
        for supply in self.supplies:
            supply.watch()

    def window(self, probe: Probe) -> Running:
        """Start an integration of what `probe` reads."""
        self._settle()
        window = Running(self, probe, self.events.now)
        self._windows.append(window)
        return window

    def close(self, window: Running) -> float | None:
        """End an integration and return its mean."""
        self._settle()
        self._windows.remove(window)
        length = self.events.now - window.begun
        if window.none:
            return None
        return window.sum / length if length else self.now(window.probe)

    def now(self, probe: Probe) -> float | None:
        """Return what `probe` reads at this instant."""
        self._settle()
        if self._point is None or self._point[0] != self.events.now:
            self._point = (self.events.now, self._solve(0.0))
        return probe(self._point[1])

    def celsius(self) -> float:
        """Return the room's temperature, degC."""
        return self.room_celsius

    # ---- what hands and relays do

    def clip(self, terminal: str, lead: str | None) -> None:
        """Move the clip of a terminal to a lead, or take it off."""
        self.changing()
        if lead is None:
            self.clips.pop(terminal, None)
        else:
            self.clips[terminal] = lead

    def relay(self, channel: int, closed: bool) -> None:
        """A relay has moved."""
        self.changing()
        self._relays = None
        if closed:
            self.closed.add(channel)
        else:
            self.closed.discard(channel)

    def load(self, newtons: float) -> None:
        """Hang a load on the cell."""
        self.changing()
        self.specimen.newtons = newtons

    def warm(self, celsius: float) -> None:
        """Bring the room and everything in it to a temperature."""
        self.changing()
        self.room_celsius = self.specimen.celsius = celsius

    def terminals(self) -> set[str]:
        """Return every instrument terminal on the bench."""
        parts = [part for device in self.electrical.values() for part in device.parts()]
        return {node for part in parts for node in (part.a, part.b)} - {EARTH}

    # ---- the circuit

    def parts(self, seconds: float = 0.0) -> list[Part]:
        """Return every element at its mean over the next `seconds`."""
        parts: list[Part] = [*self.specimen.parts(), *self.earthed]
        for device in self.electrical.values():
            own = device.parts_over(seconds) if isinstance(device, PowerSupply) else device.parts()
            parts += [_absent(part) for part in own]
        if self._relays is None:
            self._relays = [self._relay_part(point) for point in self.crosspoints.values()]
        parts += self._relays
        parts += [contact(terminal, lead, HAND_CLIP) for terminal, lead in self.clips.items()]
        return parts

    def _relay_part(self, point: Crosspoint) -> Element:
        name, closed = f"relay {point.channel}", point.channel in self.closed
        return contact(point.terminal, point.lead, point.how, closed=closed, name=name)

    def _settle(self) -> None:
        """Let the slow states go on to now; open windows take the mean of the way there."""
        elapsed = self.events.now - self._settled_at
        if not elapsed:
            return
        seconds = elapsed / NS
        capacitors = [self._discharge(supply, seconds) for supply in self.supplies]
        if self._windows:
            point = self._solve(seconds)
            for window in self._windows:
                value = window.probe(point)
                window.none = window.none or value is None
                window.sum += (value or 0.0) * elapsed
        for supply, after in zip(self.supplies, capacitors, strict=True):
            supply.advance(seconds)
            if after is not None:
                supply.hold(*after)
        self._settled_at = self.events.now
        self._point = None

    def _solve(self, seconds: float) -> Point:
        parts = self.parts(seconds)
        shape = tuple((p.name, p.a, p.b, getattr(p, "sense", None)) for p in parts)
        self.solves += 1
        if self._circuit is None or shape != self._shape or self._circuit.laws:
            self._circuit = build(parts)
            self._shape = shape
            return self._circuit.solve()
        return self._circuit.solve(*self._values(self._circuit, parts))

    def _values(self, circuit: Circuit, parts: Sequence[Part]) -> tuple[Floats, Floats, Floats]:
        emf, amps = np.zeros(len(parts)), np.zeros(len(parts))
        ohms = np.array([part.ohms for part in parts], float)
        for place, part in enumerate(parts):
            if isinstance(part, Regulated):
                circuit.set_source(
                    part.name,
                    volts=part.volts,
                    amps_max=part.amps_max,
                    amps_min=part.amps_min,
                    emf_min=part.emf_min,
                    emf_max=part.emf_max,
                )
            else:
                emf[place], amps[place] = part.emf, part.amps
        return ohms, emf, amps

    def _discharge(self, supply: PowerSupply, seconds: float) -> tuple[float, float] | None:
        """Return the output capacitor's volts after `seconds`, and where it would end.

        Linear while no limit changes: C de/dt = i(e), i from the circuit at two charges. The
        window takes the mean charge, so the supply holds that while it is solved.
        """
        found = supply.capacitor()
        if found is None:
            return None
        name, volts, farads = found
        currents = []
        for trial in (0.0, 1.0):
            supply.charge = trial
            currents.append(self._solve(0.0).amp(name))
        slope = currents[1] - currents[0]
        rest, rate = -currents[0] / slope, slope / farads
        fall = float(np.expm1(rate * seconds))
        after = rest + (volts - rest) * (1.0 + fall)
        supply.charge = rest + (volts - rest) * fall / (rate * seconds)
        return after, rest


def _absent(part: Part) -> Part:
    """A source that is off is no source: an open branch has no loop that must come to rest."""
    if isinstance(part, Regulated) and part.ohms == np.inf:
        return Element(f"{part.name} off", part.a, part.b, np.inf)
    return part


def matrix(
    terminals: Sequence[str], leads: Sequence[str], how: Callable[[int], Contact]
) -> Mapping[int, Crosspoint]:
    """Return the crosspoints of a full matrix: channel = 100 x terminal + lead, from 1."""
    found = {}
    for row, terminal in enumerate(terminals, 1):
        for column, lead in enumerate(leads, 1):
            channel = 100 * row + column
            found[channel] = Crosspoint(channel, terminal, lead, how(channel))
    return found
