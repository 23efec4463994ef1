"""The cell on the bench: what its papers promise as elements, and what hangs on its hook.

`described_by_sheet` finds arms and compensation so that the circuit itself gives the sheet's
input and output resistance and zero: nothing is looked up when a reading is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from simulated_bench.cable import Cable
from simulated_bench.cell import Bridge, CellDescription, CellState, load_changes
from simulated_bench.elements import Fault, Part, with_faults


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a calibration sheet says of one cell, SI: ohm, V/V, N, degC.

    `compensation_share` is the part of the compensation in the Ex+ leg (0.5: symmetrical).
    """

    serial: str
    input_ohms: float
    output_ohms: float
    zero_ratio: float
    rated_output: float
    capacity_newtons: float
    wires: int = 6
    length_m: float = 5.0
    area_mm2: float = 0.25
    celsius: float = 22.3
    insulation_ohms: float = 5e10
    compensation_share: float = 0.5
    shield_to_housing: float = float("inf")


def described_by_sheet(sheet: Sheet) -> CellDescription:
    """Return the cell whose readings at the sheet's temperature are those of the sheet.

    Closed form for one bridge: Rout = R + 2 r, Rin = R + legs + 2 r; the unbalance d of the
    arms gives the zero d R / Rin. Leaks are shared so that all leads read about the sheet's
    insulation against shield and housing.
    """
    cable = Cable(length_m=sheet.length_m, area_mm2=sheet.area_mm2)
    lead = float(cable.ohms("Ex+", sheet.celsius))
    arm = sheet.output_ohms - 2 * lead
    legs = sheet.input_ohms - sheet.output_ohms
    unbalance = sheet.zero_ratio * sheet.input_ohms / arm
    changes = load_changes(unbalance)
    bridge = Bridge(
        arms={name: arm * (1 + change) for name, change in changes.items()},
        compensation=(legs * sheet.compensation_share, legs * (1 - sheet.compensation_share)),
    )
    # Four pads and six (four) leads each leak to shield and to housing.
    paths = 2 * (4 + sheet.wires)
    return CellDescription(
        bridges=(bridge,),
        wires=sheet.wires,
        cable=cable,
        leak_at_pads=sheet.insulation_ohms * paths,
        leak_at_plug=sheet.insulation_ohms * paths,
        shield_to_housing=sheet.shield_to_housing,
        reference_celsius=sheet.celsius,
    )


@dataclass(slots=True)
class Specimen:
    """A described cell in its present state: load, temperature, faults."""

    sheet: Sheet
    description: CellDescription
    faults: Sequence[Fault] = ()
    newtons: float = 0.0
    celsius: float = 22.3
    state: CellState = field(default_factory=CellState)

    def parts(self) -> list[Part]:
        """Return the elements at the present load and temperature, faults in place."""
        per_arm = self._unbalance(self.newtons)
        state = replace(
            self.state,
            changes=(load_changes(per_arm),),
            body_celsius=self.celsius,
            cable_celsius=self.celsius,
        )
        parts: list[Part] = [*self.description.parts(state)]
        return with_faults(parts, self.faults) if self.faults else parts

    def _unbalance(self, newtons: float) -> float:
        """Sensitivity is per volt at the cell: the cable's drop is outside of it."""
        bridge = self.description.bridges[0]
        arm = float(bridge.arms["A"])
        legs = sum(float(leg) for leg in bridge.compensation)
        share = newtons / self.sheet.capacity_newtons
        return share * self.sheet.rated_output * (arm + legs) / arm
