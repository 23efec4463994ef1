"""A weighing transmitter and the control system's input card, as the loop and the bridge see them.

Both are described by values of ordinary instruments; what is inside them is an assumption.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulated_bench.circuit import Values
from simulated_bench.electrical import EARTH
from simulated_bench.elements import Element, Part, Regulated
from simulated_bench.regulation import Floats

LIVE_ZERO, FULL_SCALE = 4e-3, 20e-3
"""A at 0 and 100 % (IEC 60381-1)."""

LOOP_CURRENT = "transmitter output"
"""The element that carries what the transmitter puts out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmitter:
    """Excites the cells, reads mV/V as a ratio, puts out 4 to 20 mA. SI throughout.

    Limits and failure current follow the process-industry recommendation NE 43 as far as
    known. `excitation` "alternating" or "pulsed" (with its duty) is what a meter on DC or AC
    sees of it; the ratio is the same. `common_mode` in V/V is what it takes for signal of each
    volt that its input stands off the middle of its excitation; each side of the input draws
    to Ex-, so that a floating source ends up there. Values of its inside are assumptions.
    """

    ratio_at_zero: float = 0.0
    ratio_at_full: float = 2e-3
    gain: float = 1.0
    offset: float = 0.0
    volts: float = 10.0
    limit_amps: float = 0.16
    wire_break_amps: float = 2e-3
    sense_used: bool = True
    excitation: str = "direct"
    duty: float = 1.0
    filter_tau_s: float = 0.5
    low_amps: float = 3.8e-3
    high_amps: float = 20.5e-3
    failure_amps: float = 3.6e-3
    step_amps: float = 0.25e-6
    largest_ratio: float = 5e-3
    two_wire: bool = False
    lift_off_volts: float = 10.0
    compliance_volts: float = 18.0
    input_ohms: float = 1e9
    common_mode: float = 1e-6
    bias_ohms: float = 1e10
    earth_ohms: float = 1e9
    forced_amps: float | None = None

    def amps(self, ratio: Values) -> Floats:
        """Return the output current for a ratio in V/V, limits and failure included."""
        if self.forced_amps is not None:
            return np.full(np.shape(ratio), self.forced_amps)
        x = np.asarray(ratio, float)
        share = (x * self.gain + self.offset - self.ratio_at_zero) / self._span()
        wanted = LIVE_ZERO + (FULL_SCALE - LIVE_ZERO) * share
        if self.step_amps:
            wanted = np.round(wanted / self.step_amps) * self.step_amps
        limited = np.clip(wanted, self.low_amps, self.high_amps)
        readable = np.abs(x) <= self.largest_ratio
        return np.where(readable, limited, self.failure_amps)

    def _span(self) -> float:
        return self.ratio_at_full - self.ratio_at_zero

    def seen_direct(self) -> float:
        """Return what a DC meter sees of 1 V of excitation or signal."""
        shares = {"direct": 1.0, "alternating": 0.0, "pulsed": self.duty}
        return shares[self.excitation]

    def seen_alternating(self) -> float:
        """Return what an AC-coupled rms meter sees of 1 V of excitation or signal."""
        pulsed = math.sqrt(self.duty * (1 - self.duty))
        return {"direct": 0.0, "alternating": 1.0, "pulsed": pulsed}[self.excitation]

    def parts(self, loop_amps: Values) -> list[Part]:
        """Return excitation, input and output; `loop_amps` is the current it sets."""
        ex = "transmitter Ex+", "transmitter Ex-"
        sense = "transmitter Se+", "transmitter Se-"
        watched = sense if self.sense_used else ex
        inside = "transmitter excitation inside"
        excite = Regulated(
            "transmitter excitation", inside, ex[1], 0.01, self.volts, self.limit_amps,
            sense=watched, emf_max=1.2 * self.volts,
        )  # fmt: skip
        return [
            excite,
            Element("transmitter supply", inside, ex[0], 1e-4),
            Element("transmitter sense + to output", sense[0], ex[0], 2.2e3),
            Element("transmitter sense - to output", sense[1], ex[1], 2.2e3),
            Element("transmitter input", "transmitter S+", "transmitter S-", self.input_ohms),
            Element("transmitter bias S+", "transmitter S+", ex[1], self.bias_ohms),
            Element("transmitter bias S-", "transmitter S-", ex[1], self.bias_ohms),
            Element("transmitter earth", ex[1], EARTH, self.earth_ohms),
            Element("transmitter shield earth", "transmitter shield", EARTH, 0.1),
            *self._output(loop_amps),
        ]

    def _output(self, amps: Values) -> list[Part]:
        """The output as a current that the loop's voltage allows.

        A branch that forces the current, beside a clamp: 2-wire needs its lift-off volts and
        passes only what is left to it; active, it drives up to its compliance.
        """
        plus, minus = "transmitter I+", "transmitter I-"
        isolated = Element("transmitter output earth", minus, EARTH, 1e9)
        drawn = amps if self.two_wire else -amps
        forced = Element(LOOP_CURRENT, plus, minus, np.inf, 0.0, drawn)
        if self.two_wire:
            clamp = Regulated(
                "transmitter lift-off", plus, minus, 1.0, self.lift_off_volts, 1.0,
                emf_min=-1e3, emf_max=1e3,
            )  # fmt: skip
        else:
            # Takes up, backwards, what the loop does not take at the compliance voltage.
            clamp = Regulated(
                "transmitter compliance", plus, minus, 1.0, self.compliance_volts, 0.0, -1.0,
                emf_min=-1e3, emf_max=1e3,
            )  # fmt: skip
        return [forced, clamp, isolated]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputCard:
    """The control system's input: burden, supply for the loop if any, scaling.

    `zero_amps` 0 is the wrong 0 to 20 mA setting. Values in the plant's unit.
    """

    burden_ohms: float = 250.0
    supply_volts: float = 0.0
    supply_ohms: float = 20.0
    lower: float = 0.0
    upper: float = 1000.0
    zero_amps: float = LIVE_ZERO
    full_amps: float = FULL_SCALE
    gain: float = 1.0
    offset_amps: float = 0.0
    filter_tau_s: float = 0.2
    bits: int = 16
    earth_ohms: float = 1e6
    forced_value: float | None = None

    def value(self, amps: Values) -> Floats:
        """Return what the control system shows for a current through the burden in A."""
        if self.forced_value is not None:
            return np.full(np.shape(amps), self.forced_value)
        read = np.asarray(amps, float) * self.gain + self.offset_amps
        step = 22e-3 / 2**self.bits
        read = np.round(read / step) * step
        share = (read - self.zero_amps) / (self.full_amps - self.zero_amps)
        return np.asarray(self.lower + share * (self.upper - self.lower))

    def parts(self) -> list[Part]:
        """Return burden, earth and, for a powered input, its supply."""
        parts: list[Part] = [
            Element("card burden", "card in", "card common", self.burden_ohms),
            Element("card earth", "card common", EARTH, self.earth_ohms),
        ]
        if self.supply_volts:
            supply = Element(
                "card supply", "card +", "card common", self.supply_ohms, self.supply_volts
            )
            parts.append(supply)
        return parts
