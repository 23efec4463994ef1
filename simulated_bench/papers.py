"""Invented cells by what their papers say, and the elements that make them read so.

`described` finds arms and compensation so that the circuit itself gives the sheet's input and
output resistance and zero: nothing is looked up when a reading is made. All data are invented.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from simulated_bench.cable import Cable
from simulated_bench.cell import Bridge, CellDescription, Shunt, load_changes
from simulated_bench.load_cell import Thermal
from simulated_bench.response import Response
from simulated_bench.rig import weight_newtons

GRAVITY = 9.8118
"""m/s2 in the invented laboratory of the example cells."""
BREAKS_AT = 3.0
"""Times its capacity a cell breaks and is no cell any more: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Papers:
    """Data sheet and calibration sheet of one cell in the units that sheets use.

    Ohm, mV/V, kg, m, mm2, degC; percentages are of rated output, temperature effects in percent
    per 10 K. `compensation_share` is the part of the compensation in the Ex+ leg.
    `other_zeros_mv_v` are those of further bridges in the same body. A half bridge has two equal
    arms and no compensation: its `output_ohms` says nothing. `shunt_ohms` is a calibration
    resistor inside, from S+ to a lead of its own.
    """

    serial: str
    capacity_kg: float
    input_ohms: float
    output_ohms: float
    zero_mv_v: float
    rated_output_mv_v: float
    wires: int
    cable_m: float
    cable_mm2: float
    celsius: float
    insulation_ohms: float = 5e10
    compensation_share: float = 0.5
    shield_to_housing_ohms: float = math.inf
    nonlinearity_percent: float = 0.0
    hysteresis_percent: float = 0.0
    creep_percent: float = 0.0
    repeatability_percent: float = 0.001
    zero_percent_per_10_kelvin: float = 0.005
    span_percent_per_10_kelvin: float = 0.004
    compression_factor: float = 1.0
    off_centre_percent: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    body_tau_s: float = 1200.0
    half: bool = False
    other_zeros_mv_v: tuple[float, ...] = ()
    shunt_ohms: float | None = None


CELLS: Mapping[str, Papers] = {
    papers.serial: papers
    for papers in (
        Papers(
            serial="A-000417",
            capacity_kg=30.0,
            input_ohms=405.3,
            output_ohms=350.4,
            zero_mv_v=0.0123,
            rated_output_mv_v=1.9987,
            wires=4,
            cable_m=1.5,
            cable_mm2=0.14,
            celsius=21.8,
            insulation_ohms=1.2e10,
            compensation_share=1.0,
            nonlinearity_percent=0.0102,
            hysteresis_percent=-0.0088,
            creep_percent=0.012,
            off_centre_percent=(0.011, -0.007, 0.009, -0.012),
            body_tau_s=700.0,
        ),
        Papers(
            serial="B-011902",
            capacity_kg=500.0,
            input_ohms=385.1,
            output_ohms=351.3,
            zero_mv_v=-0.0064,
            rated_output_mv_v=2.0011,
            wires=6,
            cable_m=5.0,
            cable_mm2=0.25,
            celsius=22.3,
            nonlinearity_percent=-0.0090,
            hysteresis_percent=0.0109,
            creep_percent=-0.008,
            repeatability_percent=0.0015,
            body_tau_s=1200.0,
        ),
        Papers(
            serial="C-003358",
            capacity_kg=2000.0,
            input_ohms=1103.8,
            output_ohms=1001.6,
            zero_mv_v=0.0215,
            rated_output_mv_v=2.9946,
            wires=4,
            cable_m=3.0,
            cable_mm2=0.25,
            celsius=22.1,
            shield_to_housing_ohms=0.05,
            nonlinearity_percent=0.0127,
            hysteresis_percent=-0.0137,
            creep_percent=0.015,
            compression_factor=2.9921 / 2.9946,
            body_tau_s=1500.0,
        ),
        Papers(
            serial="D-000096",
            capacity_kg=20_000.0,
            input_ohms=758.9,
            output_ohms=701.8,
            zero_mv_v=-0.0090,
            rated_output_mv_v=1.9962,
            wires=6,
            cable_m=12.0,
            cable_mm2=0.25,
            celsius=21.5,
            nonlinearity_percent=0.0148,
            hysteresis_percent=0.0112,
            creep_percent=0.010,
            body_tau_s=3600.0,
        ),
        Papers(
            serial="E-000052",
            capacity_kg=500.0,
            input_ohms=700.6,
            output_ohms=350.3,
            zero_mv_v=0.0410,
            other_zeros_mv_v=(-0.0275,),
            rated_output_mv_v=0.9980,
            wires=4,
            cable_m=2.0,
            cable_mm2=0.25,
            celsius=22.0,
            half=True,
        ),
        Papers(
            serial="F-000310",
            capacity_kg=500.0,
            input_ohms=388.9,
            output_ohms=350.8,
            zero_mv_v=0.0042,
            rated_output_mv_v=2.0007,
            wires=6,
            cable_m=5.0,
            cable_mm2=0.25,
            celsius=22.3,
            shunt_ohms=59_880.0,
        ),
    )
}


def contradiction(papers: Papers) -> tuple[str, str] | None:
    """Return key and reason where no bridge has these values: what `described` cannot build."""
    cable = Cable(length_m=papers.cable_m, area_mm2=papers.cable_mm2)
    conductors = 2 * float(cable.ohms("Ex+", papers.celsius))
    key = "input_ohms" if papers.half else "output_ohms"
    ohms = papers.input_ohms if papers.half else papers.output_ohms
    if ohms <= conductors:
        return key, f"{ohms:g} ohm is not more than the {conductors:g} ohm of its conductors"
    if not papers.half and papers.input_ohms < papers.output_ohms:
        return "input_ohms", (
            f"{papers.input_ohms:g} ohm is less than the output's {papers.output_ohms:g} ohm:"
            " equal arms with compensation in front have no less"
        )
    zeros = (papers.zero_mv_v, *papers.other_zeros_mv_v)
    most = 0.5e3 * (ohms - conductors) / papers.input_ohms
    if max(map(abs, zeros)) > most:
        return "zero_mv_v", f"this bridge has at most {most:.3g} mV/V without a fault"
    return None


def described(papers: Papers) -> CellDescription:
    """Return the cell whose readings at the sheet's temperature are those of its papers.

    Closed form for one bridge of arms R behind two legs and conductors r: Rout = R + 2 r,
    Rin = R + legs + 2 r, zero = d R / (voltage-carrying resistance), d the unbalance of the
    arms. Leaks are shared so that all leads joined read the sheet's insulation.
    """
    cable = Cable(length_m=papers.cable_m, area_mm2=papers.cable_mm2)
    conductors = 2 * float(cable.ohms("Ex+", papers.celsius))
    arm = papers.output_ohms - conductors
    legs = 0.0 if papers.half else papers.input_ohms - papers.output_ohms
    if papers.half:
        arm = (papers.input_ohms - conductors) / 2
    # The ratio is per volt at the pads with sense leads, per volt at the plug without.
    between = papers.input_ohms - (conductors if papers.wires == 6 else 0.0)
    share, arms = papers.compensation_share, "AC" if papers.half else "ABCD"
    bridges = []
    for zero in (papers.zero_mv_v, *papers.other_zeros_mv_v):
        changes = load_changes(zero * 1e-3 * between / arm)
        bridge = Bridge(
            arms={name: arm * (1 + changes[name]) for name in arms},
            compensation=(legs * share, legs * (1 - share)),
            shunt=None if papers.shunt_ohms is None else Shunt(papers.shunt_ohms),
        )
        bridges.append(bridge)
    paths = 2 * (4 + papers.wires)  # pads and leads, each to shield and to housing
    return CellDescription(
        bridges=tuple(bridges),
        wires=papers.wires,
        cable=cable,
        leak_at_pads=papers.insulation_ohms * paths,
        leak_at_plug=papers.insulation_ohms * paths,
        shield_to_housing=papers.shield_to_housing_ohms,
        reference_celsius=papers.celsius,
    )


def response(papers: Papers) -> Response:
    """Return how the cell answers to load, time and temperature."""
    watts = 10.0**2 / papers.input_ohms
    return Response(
        capacity_newtons=weight_newtons(papers.capacity_kg, GRAVITY),
        rated_output=papers.rated_output_mv_v * 1e-3,
        nonlinearity=papers.nonlinearity_percent / 100,
        hysteresis=papers.hysteresis_percent / 100,
        creep=papers.creep_percent / 100,
        compression_factor=papers.compression_factor,
        off_centre=tuple(percent / 100 for percent in papers.off_centre_percent),
        repeatability=papers.repeatability_percent / 100,
        zero_per_kelvin=papers.zero_percent_per_10_kelvin / 1000,
        span_per_kelvin=papers.span_percent_per_10_kelvin / 1000,
        zero_per_gradient_kelvin=2e-4,
        span_per_watt=-1e-3,
        reference_watts=watts,
        warm_up_per_watt=1e-4 / 0.26,
    )


def thermal(papers: Papers) -> Thermal:
    """Return the cell's time constants."""
    return replace(Thermal(), body_tau_s=papers.body_tau_s)
