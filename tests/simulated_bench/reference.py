"""The reference bench of the acceptance figures: invented, every value an assumption.

Figures were computed by a second algorithm (nodal analysis with 50 digits); not published.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from simulated_bench.cable import Cable
from simulated_bench.cell import CONDUCTORS, Bridge, CellDescription, CellState, load_changes
from simulated_bench.circuit import Circuit
from simulated_bench.electrical import (
    Contact,
    InsulationTester,
    Ohmmeter,
    SupplyOutput,
    Voltmeter,
    contact,
    earth_parts,
)
from simulated_bench.elements import Element, Fault, Part, build

LOADED = 2e-3 * 384.7 / 350
ARMS = {"A": 349.98, "B": 350.01, "C": 350.02, "D": 349.99}
KELVIN = Contact(closed_ohms=0.07)
LEADS = tuple(CONDUCTORS)


def cell(load: float = 0.0) -> list[Part]:
    """The cell with its six conductors of 0.35 ohm and 1e11 ohm between every pair."""
    cable = Cable(conductor_ohms=dict.fromkeys(CONDUCTORS, 0.35))
    description = CellDescription(bridges=(Bridge(arms=ARMS),), cable=cable)
    return [*description.parts(CellState((load_changes(load),)))]


SENSE_CLIPS = {"supply sense +": "Se+", "supply sense -": "Se-"}
POWER_CLIPS = {"supply +": "Ex+", "supply -": "Ex-"}
SUPPLY_CLIPS = {**POWER_CLIPS, **SENSE_CLIPS}
STRAPS = {"supply sense +": "supply +", "supply sense -": "supply -"}
TEN_GIGAOHM = Voltmeter()
AT_TEN_VOLTS = SupplyOutput(on=True, volts=10.0)


def supply(
    output: SupplyOutput = AT_TEN_VOLTS,
    clips: Mapping[str, str] = SUPPLY_CLIPS,
    *,
    capacitor_volts: float | None = None,
) -> list[Part]:
    """The supply at 10 V and 0.1 A, clipped as usual."""
    return [*output.parts(capacitor_volts=capacitor_volts), *clip_all(clips)]


def strapped(clips: Mapping[str, str] = POWER_CLIPS) -> list[Part]:
    """The supply that senses at its own terminals, 0.01 ohm each."""
    straps = [contact(a, b, Contact(0.01)) for a, b in STRAPS.items()]
    return [*supply(clips=clips), *straps]


def clip_all(clips: Mapping[str, str]) -> list[Part]:
    """Clips of 0.02 ohm by instrument terminal."""
    return [contact(terminal, lead) for terminal, lead in clips.items()]


def voltmeter(
    meter: Voltmeter = TEN_GIGAOHM, hi: str = "S+", lo: str = "S-", emf: float = 0.0
) -> list[Part]:
    """The voltmeter, 10 Gohm; `emf` in its HI clip."""
    clips = [contact("dmm HI", hi, Contact(0.02, emf)), contact("dmm LO", lo)]
    return [*meter.parts(), *clips]


def ohmmeter(hi: str, lo: str, *, sense: tuple[str, str] | None = None, wires: int = 4,
             source_on: bool = True, emf: float = 0.0) -> list[Part]:  # fmt: skip
    """The ohmmeter with its leads of 0.07 ohm; `emf` in its sense HI lead."""
    clips = {"dmm HI": hi, "dmm LO": lo}
    if wires == 4:
        clips |= dict(zip(("dmm sense HI", "dmm sense LO"), sense or (hi, lo), strict=True))
    meter = Ohmmeter(wires=wires, source_on=source_on)
    how = {"dmm sense HI": Contact(0.07, emf)}
    return [*meter.parts(), *(contact(a, b, how.get(a, KELVIN)) for a, b in clips.items())]


def on_tester(plus: Sequence[str], minus: Sequence[str], guard: Sequence[str] = ()) -> list[Part]:
    """The insulation tester at 50 V."""
    ends = (("+", plus), ("-", minus), ("guard", guard))
    clips = [contact(f"insulation {end}", lead) for end, leads in ends for lead in leads]
    return [*InsulationTester(on=True).parts(), *clips]


def bench(*groups: Sequence[Part], housing: float = 1e11, faults: Sequence[Fault] = ()) -> Circuit:
    """The circuit of all of it; the housing is insulated unless said otherwise."""
    parts = [part for group in groups for part in group]
    return build([*parts, *earth_parts(housing)], faults)


def ideal_current(a: str, b: str, amps: float = 1e-3) -> Element:
    """An ideal current into a and out of b."""
    return Element("ideal current", a, b, np.inf, 0.0, -amps)
