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
from operator import itemgetter

import numpy as np

from simulated_bench.capacitors import Capacitor, Charging, Span
from simulated_bench.circuit import Circuit, Point
from simulated_bench.elements import Element, Part, Regulated, build

MOST_PIECES = 50
STILL = 1e-8
STILL_AMPS = 1e-15
"""Charges that move less than this part, or change no current by more, leave the point as it is."""


ENDS = itemgetter(0, 1, 2)
"""Name and both nodes of a part."""
COLUMNS = itemgetter(3), itemgetter(4), itemgetter(5)

SMALL_VOLTS = 1e-4
"""Below it a charge's move acts as its response says, which slow drift changes by 1e-4 at most."""


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
        self._shape: list[tuple[str, str, str]] = []
        self._senses: list[tuple[str, str] | None] = []
        self._regulated: list[int] = []
        self._charging: Charging | None = None
        self._span: Span | None = None
        self._point: Point | None = None
        self.solves = 0

    def changed(self) -> None:
        """Something has jumped: a clip, a relay, a setting, a fault."""
        self._charging = self._span = None
        self._point = None

    def now(self) -> Point:
        """Return the circuit at this instant."""
        if self._point is None:
            self._point = self._solve(0.0)
        return self._point

    def forget(self) -> None:
        """Time has gone on and nobody has looked: no charge moves, slow parts may have."""
        self._point = None

    def coast(self, seconds: float) -> None:
        """Advance while nobody looks: the charges move as they did, slow drift waits.

        As good as `step` while nothing drifts, without asking for the parts or solving. Falls
        back to it after a change, and where a source would change its mode.
        """
        self._point = None
        if not self._capacitors and self._circuit is not None:
            return
        if self._charging is None or self._span is None:
            self.step(seconds)
            return
        volts = np.array([c.volts for c in self._capacitors])
        span = self._charging.onward(self._span.modes, volts, self._span.rates, seconds)
        if span.seconds < seconds:
            self.step(seconds)
            return
        self._hold(span)

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
        still = STILL_AMPS * self._charging.series_ohms + STILL * np.abs(volts)
        moves = span.mean - volts
        felt = np.abs(moves) > still
        moved: Point | None = start
        if felt.any():
            small = np.all(np.abs(moves[felt]) < SMALL_VOLTS)
            moved = self._charging.shifted(start, moves) if small else None
        if moved is None:
            for capacitor, held in zip(self._capacitors, span.mean, strict=True):
                self._circuit.set(capacitor.element, emf=float(held))
            moved = self._circuit.solve(held=span.modes or None)
            self.solves += 1
        self._hold(span)
        return Piece(span.seconds, moved)

    def _hold(self, span: Span) -> None:
        for capacitor, after in zip(self._capacitors, span.after, strict=True):
            capacitor.volts = float(after)
        self._span = span

    def _solve(self, seconds: float) -> Point:
        parts = self._parts(seconds)
        shape = list(map(ENDS, parts))
        circuit = self._circuit
        if circuit is None or shape != self._shape or self._senses != self._sensed(parts):
            circuit = self._rebuild(parts, shape)
        else:
            self._take_values(circuit, parts)
        self.solves += 1
        return circuit.solve()

    def _sensed(self, parts: Sequence[Part]) -> list[tuple[str, str] | None]:
        """What `_senses` says of parts of the shape that is known."""
        return _senses([parts[place] for place in self._regulated])

    def _rebuild(self, parts: Sequence[Part], shape: list[tuple[str, str, str]]) -> Circuit:
        circuit = build(parts)
        self._circuit, self._shape = circuit, shape
        self._charging = self._span = None
        self._senses = _senses(parts)
        self._regulated = [n for n, part in enumerate(parts) if isinstance(part, Regulated)]
        self._capacitors = [c for c in self._find() if c.element in circuit.branches]
        for capacitor in self._capacitors:
            circuit.set(capacitor.element, emf=capacitor.volts)
        return circuit

    def _take_values(self, circuit: Circuit, parts: Sequence[Part]) -> None:
        # Columns by position: an Element's EMF and current stand where a source has its limits.
        ohms, emf, amps = (list(map(column, parts)) for column in COLUMNS)
        for place in self._regulated:
            emf[place] = amps[place] = 0.0
            _take_limits(circuit, parts[place])
        for capacitor in self._capacitors:
            emf[circuit.branches[capacitor.element]] = capacitor.volts
        circuit.set_all(ohms, emf, amps)
        for name in circuit.laws:
            part = parts[circuit.branches[name]]
            if isinstance(part, Element) and part.law is not None:
                circuit.set(name, law=part.law)


def _senses(parts: Sequence[Part]) -> list[tuple[str, str] | None]:
    return [part.sense for part in parts if isinstance(part, Regulated)]


def _take_limits(circuit: Circuit, part: Part) -> None:
    if isinstance(part, Regulated):
        circuit.set_source(
            part.name,
            volts=part.volts,
            amps_max=part.amps_max,
            amps_min=part.amps_min,
            emf_min=part.emf_min,
            emf_max=part.emf_max,
        )
