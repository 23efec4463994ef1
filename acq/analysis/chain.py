"""The equations of a weighing chain: from the load on the cells to the figure in the control room.

Plain functions, one block each; ratios in V/V, currents in A, loads in kilograms. They are
free of gravity: a load is counted in the unit of the cells' capacity, and whoever compares
a sheet from another place brings the factor between the two places himself.

What is not here: faults and their likelihood (`chain_model`, `chain_isolation`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

COPPER_PER_KELVIN = 0.00393  # annealed copper at 20 degC, IEC 60028
LIVE_ZERO = 4e-3  # IEC 60381-1: 4 mA stands for 0 %
FULL_SCALE = 20e-3  # IEC 60381-1: 20 mA stands for 100 %
SPAN = FULL_SCALE - LIVE_ZERO

# Largest conductor resistance at 20 degC in ohm per km, plain copper, IEC 60228, by mm2
IEC_60228_FLEXIBLE = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98}  # class 5
IEC_60228_SOLID = {0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1, 2.5: 7.41}  # class 1


def cell_ratio(zero: float, rated_output: float, load: float, capacity: float) -> float:
    """Output of one cell in V/V: zero plus rated output (V/V) times the used share of capacity."""
    return zero + rated_output * load / capacity


def joined_ratio(ratios: Sequence[float], output_ohms: Sequence[float]) -> float:
    """Output in V/V of cells with joined signal pairs: each counts by 1 / output resistance.

    Millman's theorem; the plain mean when the output resistances are equal. Raises ValueError
    for no cells or unequal counts.
    """
    if not ratios or len(ratios) != len(output_ohms):
        raise ValueError(f"{len(ratios)} ratios for {len(output_ohms)} output resistances")
    weights = [1.0 / ohms for ohms in output_ohms]
    return math.fsum(w * x for w, x in zip(weights, ratios, strict=True)) / math.fsum(weights)


def excitation_trimmed(rated_output: float, input_ohms: float, trim_ohms: float) -> float:
    """Rated output in V/V of a cell with a trim resistor in its excitation."""
    return rated_output * input_ohms / (input_ohms + trim_ohms)


def excitation_kept(input_ohms: float, conductor_ohms: float, *, joined: bool) -> float:
    """What a 6-wire cell's bridge keeps of the excitation when no sense lead is used.

    `input_ohms` is read between its Ex leads at the end of the cable, `conductor_ohms` is one
    conductor of it. Its rated output holds per volt at the bridge. With the sense leads `joined`
    to the Ex leads, half a conductor is left in each; else a whole one (voltage divider).
    """
    bridge = input_ohms - 2 * conductor_ohms
    left = conductor_ohms if joined else 2 * conductor_ohms
    return bridge / (bridge + left)


def signal_shunted(ratio: float, output_ohms: float, shunt_ohms: float) -> tuple[float, float]:
    """Output in V/V and output resistance of a cell with a trim resistor across its signal pair."""
    share = shunt_ohms / (shunt_ohms + output_ohms)
    return ratio * share, output_ohms * share


def dead_ratio(zeros: Sequence[float], rated_output: float, load: float, capacity: float) -> float:
    """Output in V/V of N equal cells under the dead load in kg: mean zero plus its share."""
    count = len(zeros)
    return math.fsum(zeros) / count + span_ratio(rated_output, load, count, capacity)


def span_ratio(rated_output: float, load: float, count: int, capacity: float) -> float:
    """Change of output in V/V that a load in kg makes on N equal cells."""
    return rated_output * load / (count * capacity)


def kilograms_per_ratio(rated_output: float, count: int, capacity: float) -> float:
    """Kilograms that change the output of N equal cells by 1 V/V."""
    return count * capacity / rated_output


def conductor_ohms(length_m: float, ohms_per_km: float, degc: float = 20.0) -> float:
    """Resistance of one copper conductor; `ohms_per_km` holds at 20 degC (IEC 60228)."""
    return length_m * 1e-3 * ohms_per_km * (1.0 + COPPER_PER_KELVIN * (degc - 20.0))


def group_ohms(input_ohms: Sequence[float]) -> float:
    """Input resistance of cells in parallel, each with its trim added by the caller."""
    return 1.0 / math.fsum(1.0 / ohms for ohms in input_ohms)


def excitation_share(input_ohms: Sequence[float], conductor: float) -> float:
    """Part of the transmitter's excitation that reaches the box over two conductors (ohm each)."""
    group = group_ohms(input_ohms)
    return group / (group + 2.0 * conductor)


def fed_share(source_ohms: float, input_ohms: float) -> float:
    """Part of a source's voltage that an input sees behind the source's own resistance (ohm)."""
    return input_ohms / (input_ohms + source_ohms)


def current_for_ratio(ratio: float, ratio_at_4: float, ratio_at_20: float) -> float:
    """Current in A of a transmitter without limits: 4 mA and 20 mA at the two ratios (V/V).

    IEC 60381-1. Raises ValueError when both ratios are the same.
    """
    if ratio_at_4 == ratio_at_20:
        raise ValueError("the ratios at 4 mA and at 20 mA are the same: no range")
    return LIVE_ZERO + SPAN * (ratio - ratio_at_4) / (ratio_at_20 - ratio_at_4)


def ratio_for_current(amperes: float, ratio_at_4: float, ratio_at_20: float) -> float:
    """Ratio in V/V that makes this current: the inverse of `current_for_ratio`."""
    return ratio_at_4 + (amperes - LIVE_ZERO) / SPAN * (ratio_at_20 - ratio_at_4)


def displayed(amperes: float, lower: float, upper: float) -> float:
    """What a control system shows for a current: `lower` at 4 mA, `upper` at 20 mA."""
    return lower + (amperes - LIVE_ZERO) / SPAN * (upper - lower)


def current_for_display(shown: float, lower: float, upper: float) -> float:
    """Current in A that makes the control system show this value.

    Raises ValueError when lower and upper are the same.
    """
    if lower == upper:
        raise ValueError("the lower and the upper range value are the same: no range")
    return LIVE_ZERO + SPAN * (shown - lower) / (upper - lower)


class SignalState(Enum):
    """What a loop current says, by the bands of NE 43."""

    MEASURING = "measuring"
    FAILURE_LOW = "failure, low"
    FAILURE_HIGH = "failure, high"
    BETWEEN = "neither a measured value nor a failure"


@dataclass(frozen=True, slots=True)
class SignalBands:
    """Bands of a 4-20 mA signal in A.

    Every limit counts as inside its own band (closed): exactly 3.8 and 20.5 mA still measure,
    exactly 3.6 and 21.0 mA already are failures. Public statements differ on open or closed,
    and the 2021 edition's detection margin was not seen, so both are ours to set.
    """

    lowest: float = 3.8e-3
    highest: float = 20.5e-3
    failure_low: float = 3.6e-3
    failure_high: float = 21.0e-3
    source: str = "NE 43, from public pages; limits taken as closed"

    def state(self, amperes: float) -> SignalState:
        """Tell which band a current in A lies in; read to the nanoampere."""
        amperes = round(amperes, 9)  # 3.6 mA times 1e-3 is a little more than 3.6e-3
        if amperes <= self.failure_low:
            return SignalState.FAILURE_LOW
        if amperes >= self.failure_high:
            return SignalState.FAILURE_HIGH
        if self.lowest <= amperes <= self.highest:
            return SignalState.MEASURING
        return SignalState.BETWEEN


@dataclass(frozen=True, slots=True)
class Transmitter:
    """A transmitter from mV/V to a loop current: range in V/V, limits and failure current in A."""

    ratio_at_4: float
    ratio_at_20: float
    bands: SignalBands = SignalBands()
    failure_current: float = 21.0e-3

    def current(self, ratio: float | None) -> float:
        """Current in A for a ratio in V/V, held at its limits; None (no bridge) is a failure."""
        if ratio is None or math.isnan(ratio):
            return self.failure_current
        asked = current_for_ratio(ratio, self.ratio_at_4, self.ratio_at_20)
        return min(max(asked, self.bands.lowest), self.bands.highest)


@dataclass(frozen=True, slots=True)
class Loop:
    """Who drives the loop: supply in V, all resistance in it in ohm, what the transmitter needs."""

    supply_volts: float
    burden_ohms: float
    transmitter_volts: float

    @property
    def largest_current(self) -> float:
        """Current in A above which the transmitter no longer has its voltage; 0 when never."""
        if self.burden_ohms <= 0.0:
            return math.inf if self.supply_volts >= self.transmitter_volts else 0.0
        return max(0.0, (self.supply_volts - self.transmitter_volts) / self.burden_ohms)

    def current(self, asked: float) -> float:
        """Current in A that flows when the transmitter asks for this one."""
        return min(asked, self.largest_current)


def shunted_current(amperes: float, input_ohms: float, shunt_ohms: float) -> float:
    """Current in A left for an input of this resistance with a leak or second load across it."""
    return amperes * shunt_ohms / (shunt_ohms + input_ohms)
