"""What an instrument may ask of the bench that it stands on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from simulated_bench.circuit import Point
from simulated_bench.elements import Part
from simulated_bench.events import Events

Probe = Callable[[Point], float | None]
Look = Callable[[Point], object]


class Window(Protocol):
    """A running integration, until its mean is taken or its block is left: every one that runs
    makes the bench solve its circuit at each step.
    """

    def __enter__(self) -> Window: ...

    def __exit__(self, *what: object) -> None: ...

    def mean(self) -> float | None:
        """Close it; return the mean over its time, None where no number exists."""


class Site(Protocol):
    """The bench as instruments see it. Every change of an instrument's elements is announced."""

    events: Events
    seed: int
    error_scale: dict[str, float]
    years: dict[str, float]
    mains_hertz: float
    changes: int

    def changing(self) -> None:
        """Something electrical changes now: what ran until now is settled first."""

    def window(self, probe: Probe) -> Window:
        """Start to integrate what `probe` reads of the solved circuit."""

    def now(self, probe: Probe) -> float | None:
        """Return what `probe` reads of the circuit at this instant."""

    def shares(self) -> tuple[float, float]:
        """Return what DC and AC meters see of 1 V that is there (pulsed excitation of a chain)."""

    def celsius(self) -> float:
        """Return the temperature of the room now, degC."""


class Electrical(Protocol):
    """The instrument's side that the circuit sees."""

    def parts(self) -> Sequence[Part]:
        """Return its elements between its terminals, as it is set now."""
