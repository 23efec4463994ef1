"""What each instrument, clip, relay contact and earth reference adds to the circuit.

Each description is frozen: an instrument that changes a setting is described anew. `parts(role)`
gives the elements between its terminals ("dmm HI", "supply sense +", ...), the other methods
read a solved point as the instrument's input would see it, without its errors.
The inner values (2.2 kohm from sense to output, 5 kohm of bleeder, 1 Gohm to earth, ...) are
assumptions about ordinary instruments and no maker's data; a scenario may state others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulated_bench.circuit import Point
from simulated_bench.elements import Element, Part, Regulated

EARTH = "earth"


def earth_parts(housing_ohms: float = 1e11, shield_ohms: float = np.inf) -> list[Element]:
    """Return the paths from a cell's housing and shield to earth: a rig that is earthed or not."""
    return [
        Element("earth housing", "housing", EARTH, housing_ohms),
        Element("earth shield", "shield", EARTH, shield_ohms),
    ]


@dataclass(frozen=True, slots=True)
class Contact:
    """A clip or a relay contact: ohm when closed, thermal EMF in V, isolation in ohm when open."""

    closed_ohms: float = 0.02
    emf_volts: float = 0.0
    open_ohms: float = np.inf


CLIP = Contact()
RELAY = Contact(closed_ohms=0.3, emf_volts=1e-6, open_ohms=1e11)


def contact(
    terminal: str, lead: str, how: Contact = CLIP, *, closed: bool = True, name: str = ""
) -> Element:
    """Return the element from a terminal to a lead (or any two nodes that a hand joins)."""
    ohms = how.closed_ohms if closed else how.open_ohms
    emf = how.emf_volts if closed else 0.0
    return Element(name or f"clip {terminal} {lead}", terminal, lead, ohms, emf)


@dataclass(frozen=True, slots=True)
class SupplyOutput:
    """A bench supply: CV/CC with remote sense; off leaves bleeder, sense network and capacitor.

    `sink_amps` is what a down-programmer pulls (0: one quadrant). `remote_sense` False takes
    the regulated voltage from the output terminals.
    """

    on: bool = False
    volts: float = 0.0
    limit_amps: float = 0.1
    remote_sense: bool = True
    output_ohms: float = 0.002
    headroom_volts: float = 12.0
    sink_amps: float = 0.0
    bleeder_ohms: float = 5e3
    sense_ohms: float = 2.2e3
    sense_divider_ohms: float = 1e5
    earth_ohms: float = 1e9
    capacitor_farads: float = 470e-6
    capacitor_ohms: float = 0.05

    def parts(self, role: str = "supply", capacitor_volts: float | None = None) -> list[Part]:
        """Return the elements; the output capacitor only with the voltage that it holds."""
        plus, minus = f"{role} +", f"{role} -"
        sense = f"{role} sense +", f"{role} sense -"
        parts: list[Part] = [
            Element(f"{role} bleeder", plus, minus, self.bleeder_ohms),
            Element(f"{role} sense + to output", sense[0], plus, self.sense_ohms),
            Element(f"{role} sense - to output", sense[1], minus, self.sense_ohms),
            Element(f"{role} sense divider", *sense, self.sense_divider_ohms),
            Element(f"{role} earth", minus, EARTH, self.earth_ohms),
        ]
        if self.on:
            # A source that is off has no loop: absent, not one more source to bring to rest.
            parts.insert(0, self._regulated(role))
        if capacitor_volts is not None:
            name = f"{role} capacitor"
            parts.append(Element(name, plus, minus, self.capacitor_ohms, capacitor_volts))
        return parts

    def _regulated(self, role: str) -> Regulated:
        at = f"{role} sense" if self.remote_sense else role
        return Regulated(
            role,
            f"{role} +",
            f"{role} -",
            self.output_ohms,
            volts=self.volts,
            amps_max=self.limit_amps,
            amps_min=-self.sink_amps,
            sense=(f"{at} +", f"{at} -"),
            emf_max=self.headroom_volts,
        )

    def terminal_volts(self, point: Point, role: str = "supply") -> float | None:
        """Return the voltage at the output terminals in V."""
        return point.volt(f"{role} +", f"{role} -")

    def sensed_volts(self, point: Point, role: str = "supply") -> float | None:
        """Return what the supply believes to put out, in V."""
        at = f"{role} sense" if self.remote_sense else role
        return point.volt(f"{at} +", f"{at} -")

    def amps(self, point: Point, role: str = "supply") -> float:
        """Return the current out of the regulator in A."""
        return -point.amp(role) if self.on else 0.0


@dataclass(frozen=True, slots=True)
class Voltmeter:
    """A meter's voltage input: 10 Gohm or 10 Mohm, offset current from HI to LO inside."""

    input_ohms: float = 1e10
    bias_amps: float = 0.0
    earth_ohms: float = 1e10

    def parts(self, role: str = "dmm") -> list[Part]:
        """Return the elements between HI, LO and earth."""
        hi, lo = f"{role} HI", f"{role} LO"
        return [
            Element(f"{role} input", hi, lo, self.input_ohms, 0.0, self.bias_amps),
            Element(f"{role} LO to earth", lo, EARTH, self.earth_ohms),
        ]

    def volts(self, point: Point, role: str = "dmm") -> float | None:
        """Return V(HI, LO) in V."""
        return point.volt(f"{role} HI", f"{role} LO")


@dataclass(frozen=True, slots=True)
class Ohmmeter:
    """A meter on ohms: a test current with a compliance, 2- or 4-wire.

    `source_on` False is the second half of an offset-compensated reading.
    """

    wires: int = 4
    test_amps: float = 1e-3
    source_on: bool = True
    compliance_volts: float = 10.0
    source_ohms: float = 1e3
    input_ohms: float = 1e10
    sense_tie_ohms: float = 1e6
    earth_ohms: float = 1e10

    def parts(self, role: str = "dmm") -> list[Part]:
        """Return the elements between HI, LO, both sense terminals and earth."""
        hi, lo = f"{role} HI", f"{role} LO"
        sense_hi, sense_lo = f"{role} sense HI", f"{role} sense LO"
        tie = self.sense_tie_ohms if self.wires == 4 else 1e-3
        parts: list[Part] = [
            Element(f"{role} input", sense_hi, sense_lo, self.input_ohms),
            Element(f"{role} sense HI tie", sense_hi, hi, tie),
            Element(f"{role} sense LO tie", sense_lo, lo, tie),
            Element(f"{role} LO to earth", lo, EARTH, self.earth_ohms),
        ]
        if self.source_on:
            source = Regulated(
                f"{role} test current",
                hi,
                lo,
                self.source_ohms,
                volts=self.compliance_volts,
                amps_max=self.test_amps,
                emf_max=self.compliance_volts + self.test_amps * self.source_ohms,
            )
            parts.insert(0, source)
        return parts

    def volts(self, point: Point, role: str = "dmm") -> float | None:
        """Return the voltage that the meter divides by its test current, in V."""
        return point.volt(f"{role} sense HI", f"{role} sense LO")

    def overloaded(self, point: Point, role: str = "dmm") -> bool:
        """Whether the test current does not flow: open leads, or a voltage from outside."""
        if not self.source_on:
            return False
        flowing = -point.amp(f"{role} test current")
        return abs(flowing - self.test_amps) > 1e-6 * self.test_amps


@dataclass(frozen=True, slots=True)
class Ammeter:
    """A meter on current: a burden between HI and LO."""

    burden_ohms: float = 5.0
    earth_ohms: float = 1e10

    def parts(self, role: str = "dmm") -> list[Part]:
        """Return the elements between HI, LO and earth."""
        hi, lo = f"{role} HI", f"{role} LO"
        return [
            Element(f"{role} burden", hi, lo, self.burden_ohms),
            Element(f"{role} LO to earth", lo, EARTH, self.earth_ohms),
        ]

    def amps(self, point: Point, role: str = "dmm") -> float:
        """Return the current from HI to LO in A."""
        return point.amp(f"{role} burden")


@dataclass(frozen=True, slots=True)
class InsulationTester:
    """An insulation tester: volts behind its source resistance, current in the - terminal.

    The guard is its common node: what flows there is not measured. Off it discharges what
    hangs between its terminals through `discharge_ohms`.
    """

    on: bool = False
    volts: float = 50.0
    source_ohms: float = 1e6
    limit_amps: float = 2e-3
    shunt_ohms: float = 1e3
    voltmeter_ohms: float = 1e12
    earth_ohms: float = 1e11
    discharge_ohms: float = 1e4

    def parts(self, role: str = "insulation") -> list[Part]:
        """Return the elements between +, -, guard and earth."""
        plus, minus, guard = (f"{role} {end}" for end in ("+", "-", "guard"))
        parts: list[Part] = [
            Element(f"{role} shunt", minus, guard, self.shunt_ohms),
            Element(f"{role} guard to earth", guard, EARTH, self.earth_ohms),
            Element(f"{role} voltmeter", plus, minus, self.voltmeter_ohms),
        ]
        if not self.on:
            return [*parts, Element(f"{role} discharge", plus, minus, self.discharge_ohms)]
        # The EMF stands at its rail: the loop asks for more than it can have.
        limit = self.limit_amps
        source = Regulated(
            f"{role} source", plus, guard, self.source_ohms, 10 * self.volts, limit, -limit,
            emf_max=self.volts,
        )  # fmt: skip
        return [source, *parts]

    def applied_volts(self, point: Point, role: str = "insulation") -> float | None:
        """Return V(+, -) in V."""
        return point.volt(f"{role} +", f"{role} -")

    def amps(self, point: Point, role: str = "insulation") -> float:
        """Return the measured current, into the - terminal, in A."""
        return point.amp(f"{role} shunt")

    def ohms(self, point: Point, role: str = "insulation") -> float | None:
        """Return V(+, -) by the measured current in ohm; None without current."""
        volts, amps = self.applied_volts(point, role), self.amps(point, role)
        return None if volts is None or amps == 0 else volts / amps


@dataclass(frozen=True, slots=True)
class SourceOutput:
    """A floating millivolt or milliampere source; `sinking` lets a powered loop drive it.

    mode "voltage": `volts` with `limit_amps`; mode "current": `amps` with `limit_volts`.
    """

    on: bool = False
    mode: str = "voltage"
    volts: float = 0.0
    amps: float = 0.0
    limit_amps: float = 0.02
    limit_volts: float = 24.0
    sinking: bool = False
    output_ohms: float = 0.1
    earth_ohms: float = 1e10

    def parts(self, role: str = "source") -> list[Part]:
        """Return the elements between +, - and earth."""
        plus, minus = f"{role} +", f"{role} -"
        parts: list[Part] = [
            Element(f"{role} leak", plus, minus, 1e9),
            Element(f"{role} earth", minus, EARTH, self.earth_ohms),
        ]
        return [self._regulated(role, plus, minus), *parts] if self.on else parts

    def _regulated(self, role: str, plus: str, minus: str) -> Regulated:
        ohms = self.output_ohms
        if self.mode == "voltage":
            # Two quadrants: a bridge's own signal may push current back into the source.
            return Regulated(
                role, plus, minus, ohms, self.volts, self.limit_amps, -self.limit_amps,
                emf_min=-self.limit_volts, emf_max=self.limit_volts,
            )  # fmt: skip
        if self.sinking:
            # A current from + to - inside: the loop's own supply drives it.
            return Regulated(
                role, plus, minus, ohms, -self.limit_volts, -self.amps, -self.amps,
                emf_min=-self.limit_volts, emf_max=self.limit_volts,
            )  # fmt: skip
        return Regulated(
            role, plus, minus, ohms, self.limit_volts, self.amps, emf_max=self.limit_volts * 1.01
        )
