"""The circuit of the bench in time: whoever moves the clock gets exact means over every step.

    timed = TimedCircuit(parts, capacitors)
    timed.changed()                 # a clip, a setting, a fault: something jumps now
    for piece in timed.step(0.2):   # 200 ms later
        piece.seconds, piece.point  # voltages and currents of `point` are means over the piece

`parts(seconds)` gives every element at its mean over the next seconds, always in the same order
until `changed`; `capacitors()` the charges that live in some of them. A step has more than one
piece only where a source changes its mode within it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from simulated_bench.capacitors import Capacitor, Charging
from simulated_bench.circuit import Circuit, Point
from simulated_bench.elements import Element, Part, Regulated, build

MOST_PIECES = 50
STILL = 1e-8
STILL_AMPS = 1e-15
"""Charges that move less than this part, or change no current by more, leave the point as it is."""


class ChatterError(ArithmeticError):
    """The sources keep changing their modes within one step."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A span of time and the circuit at its mean over it."""

    seconds: float
    point: Point


class TimedCircuit:
    """Builds the circuit when its shape changes, moves its charges, solves it at each step."""

    def __init__(
        self,
        parts: Callable[[float], Sequence[Part]],
        capacitors: Callable[[], Sequence[Capacitor]] = tuple,
    ) -> None:
        self._parts = parts
        self._find = capacitors
        self._capacitors: Sequence[Capacitor] = ()
        self._circuit: Circuit | None = None
        self._shape: tuple[tuple[object, ...], ...] = ()
        self._charging: Charging | None = None
        self._point: Point | None = None
        self.solves = 0

    def changed(self) -> None:
        """Something has jumped: a clip, a relay, a setting, a fault."""
        self._charging = None
        self._point = None

    def now(self) -> Point:
        """Return the circuit at this instant."""
        if self._point is None:
            self._point = self._solve(0.0)
        return self._point

    def forget(self) -> None:
        """Time has gone on and nobody has looked: no charge moves, slow parts may have."""
        self._point = None

    def step(self, seconds: float) -> list[Piece]:
        """Advance by `seconds`; the charges move, the parts are asked for their means."""
        pieces: list[Piece] = []
        self._point = None
        left = seconds
        while left > 0:
            piece = self._piece(left)
            pieces.append(piece)
            left -= piece.seconds
            if len(pieces) > MOST_PIECES:
                raise ChatterError("the sources do not come to rest within one step")
            if piece.seconds >= left:
                # What is left below the resolution of the clock is none.
                left = 0.0 if left < 1e-12 * seconds else left
        return pieces

    def _piece(self, seconds: float) -> Piece:
        start = self._solve(seconds)
        if not self._capacitors:
            return Piece(seconds, start)
        assert self._circuit is not None
        if self._charging is None:
            self._charging = Charging(self._circuit, self._capacitors)
        volts = np.array([c.volts for c in self._capacitors])
        span = self._charging.span(start, volts, seconds)
        point = start
        still = STILL_AMPS * self._charging.series_ohms + STILL * np.abs(volts)
        if np.any(np.abs(span.mean - volts) > still):
            for capacitor, held in zip(self._capacitors, span.mean, strict=True):
                self._circuit.set(capacitor.element, emf=float(held))
            point = self._circuit.solve(held=span.modes or None)
            self.solves += 1
        for capacitor, after in zip(self._capacitors, span.after, strict=True):
            capacitor.volts = float(after)
        return Piece(span.seconds, point)

    def _solve(self, seconds: float) -> Point:
        parts = self._parts(seconds)
        shape = tuple((part.name, part.a, part.b, getattr(part, "sense", None)) for part in parts)
        if self._circuit is None or shape != self._shape:
            self._circuit, self._shape, self._charging = build(parts), shape, None
            known = self._circuit.branches
            self._capacitors = [c for c in self._find() if c.element in known]
            for capacitor in self._capacitors:
                self._circuit.set(capacitor.element, emf=capacitor.volts)
        else:
            self._take_values(self._circuit, parts)
        self.solves += 1
        return self._circuit.solve()

    def _take_values(self, circuit: Circuit, parts: Sequence[Part]) -> None:
        ohms, emf, amps = [], [], []
        for part in parts:
            ohms.append(part.ohms)
            plain = (part.emf, part.amps) if isinstance(part, Element) else (0.0, 0.0)
            emf.append(plain[0])
            amps.append(plain[1])
        for capacitor in self._capacitors:
            emf[circuit.branches[capacitor.element]] = capacitor.volts
        circuit.set_all(ohms, emf, amps)
        for part in parts:
            if isinstance(part, Regulated):
                circuit.set_source(
                    part.name,
                    volts=part.volts,
                    amps_max=part.amps_max,
                    amps_min=part.amps_min,
                    emf_min=part.emf_min,
                    emf_max=part.emf_max,
                )
            elif part.law is not None:
                circuit.set(part.name, law=part.law)
