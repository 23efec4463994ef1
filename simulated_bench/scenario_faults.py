"""The `[[fault]]` tables of a scenario: what is wrong with the cell or the bench, and when.

A fault never copies a symptom: it changes, interrupts or adds an element, or what the cell's
spring and seal are like, and the readings follow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from simulated_bench import elements
from simulated_bench.circuit import CircuitError
from simulated_bench.electrolyte import Electrolyte
from simulated_bench.elements import Leak, WetLeak
from simulated_bench.load_cell import Intermittent
from simulated_bench.noise import Spikes, Telegraph
from simulated_bench.written import LONGEST_S, Ohms, Seconds, Written

Kind = Literal[
    "open",
    "short",
    "replaced",
    "added",
    "scaled",
    "emf",
    "leak",
    "wet-leak",
    "intermittent",
    "exchanged",
    "plastic-set",
    "response",
    "spikes",
]
Volts = Annotated[float, Field(ge=-100, le=100)]
Percent = Annotated[float, Field(ge=-1000, le=1000)]
Factor = Annotated[float, Field(ge=1e-6, le=1e6)]

NEEDED: dict[str, tuple[str, ...]] = {
    "open": ("element",),
    "short": ("element",),
    "replaced": ("element", "ohms"),
    "added": ("element", "ohms"),
    "scaled": ("element", "factor"),
    "emf": ("element", "volts"),
    "leak": ("between", "ohms"),
    "wet-leak": ("between", "ohms"),
    "intermittent": ("element", "ohms"),
    "exchanged": ("between",),
    "plastic-set": ("percent",),
    "response": (),
    "spikes": ("per_hour",),
}
ALLOWED: dict[str, tuple[str, ...]] = {
    "short": ("ohms",),
    "leak": ("galvanic_volts",),
    "wet-leak": ("galvanic_volts", "asymmetry"),
    "intermittent": ("whole_s", "broken_s"),
    "response": (
        "creep_percent",
        "creep_tau_s",
        "hysteresis_percent",
        "nonlinearity_percent",
        "rated_output_factor",
        "loose_arm",
        "zero_percent_per_kelvin",
    ),
}
COMMON = ("kind", "at", "until", "note", "piece")


class FaultTable(Written):
    """One fault; `at` and `until` are bench times in s. Which keys go with a kind: README."""

    kind: Kind
    at: Seconds = 0.0
    until: Seconds | None = None
    note: str = ""
    piece: Annotated[int, Field(ge=1)] | None = None
    element: str | None = None
    between: tuple[str, str] | None = None
    ohms: Ohms | None = None
    factor: Factor | None = None
    volts: Volts | None = None
    galvanic_volts: Volts = 0.0
    asymmetry: Annotated[float, Field(ge=-0.8, le=0.8)] = 0.3
    whole_s: Annotated[float, Field(ge=1e-3, le=LONGEST_S)] = 30.0
    broken_s: Annotated[float, Field(ge=1e-3, le=LONGEST_S)] = 2.0
    percent: Percent | None = None
    per_hour: Annotated[float, Field(gt=0, le=36_000)] | None = None
    creep_percent: Percent | None = None
    creep_tau_s: Annotated[float, Field(ge=0.1, le=LONGEST_S)] | None = None
    hysteresis_percent: Percent | None = None
    nonlinearity_percent: Percent | None = None
    rated_output_factor: Annotated[float, Field(gt=0, le=10)] | None = None
    loose_arm: Literal["A", "B", "C", "D"] | None = None
    zero_percent_per_kelvin: Annotated[float, Field(ge=-10, le=10)] | None = None

    @model_validator(mode="after")
    def _keys_fit_the_kind(self) -> FaultTable:
        given = self.model_fields_set - set(COMMON)
        needed, allowed = NEEDED[self.kind], ALLOWED.get(self.kind, ())
        for key in needed:
            if key not in given:
                raise ValueError(f"a fault of kind {self.kind} needs the key {key}")
        for key in sorted(given - set(needed) - set(allowed)):
            raise ValueError(f"a fault of kind {self.kind} has no key {key}")
        if self.until is not None and self.until <= self.at:
            raise ValueError("until: a fault ends after it begins (at)")
        if self.kind == "response" and not given:
            raise ValueError(f"a response needs one of {', '.join(ALLOWED['response'])}")
        if self.between is not None and self.between[0] == self.between[1]:
            raise ValueError("between: two different nodes are needed")
        return self

    def active(self, seconds: float) -> bool:
        """Whether the fault is there at a bench time."""
        return self.at <= seconds and (self.until is None or seconds < self.until)

    def contradicts(self, other: FaultTable) -> bool:
        """Whether the other fault says something else of the same element at the same time."""
        if self.element is None or (self.element, self.piece) != (other.element, other.piece):
            return False
        kinds = frozenset({self.kind, other.kind})
        begins = max(self.at, other.at)
        return kinds in EXCLUSIVE and self.active(begins) and other.active(begins)

    def element_fault(self) -> elements.Fault | None:
        """Return the change of an element, None for kinds that are something else."""
        name, ohms = self.element or "", self.ohms or 0.0
        a, b = self.between or ("", "")
        match self.kind:
            case "open":
                return elements.Opened(name)
            case "short":
                return elements.Shorted(name, self.ohms or 1e-6)
            case "replaced":
                return elements.Replaced(name, ohms)
            case "added":
                return elements.Added(name, ohms)
            case "scaled":
                return elements.Scaled(name, self.factor or 1.0)
            case "emf":
                return elements.SeriesEmf(name, self.volts or 0.0)
            case "leak":
                return Leak(a, b, ohms, self.galvanic_volts)
            case "wet-leak":
                law = Electrolyte(ohms, self.asymmetry, galvanic_volts=self.galvanic_volts)
                return WetLeak(a, b, law)
        return None

    def intermittent(self, seed: int, number: int) -> Intermittent:
        """Return the joint of a fault of kind intermittent."""
        process = Telegraph(seed, f"joint {number}", self.whole_s, self.broken_s)
        return Intermittent(self.element or "", self.ohms or 0.0, process)

    def spikes(self, seed: int) -> Spikes:
        """Return the spikes of a fault of kind spikes."""
        return Spikes(seed, "spikes", per_hour=self.per_hour or 1.0)


EXCLUSIVE = (frozenset({"open", "short"}), frozenset({"short"}), frozenset({"replaced"}))
"""Kinds, or twice one kind, that say different things of one element."""


def contradiction(faults: Sequence[FaultTable]) -> tuple[int, str] | None:
    """Return which fault contradicts an earlier one that is there at the same time, and why."""
    for number, fault in enumerate(faults):
        for earlier in faults[:number]:
            if fault.contradicts(earlier):
                twice = fault.kind == earlier.kind
                both = f"{fault.kind} twice" if twice else f"{earlier.kind} and {fault.kind}"
                reason = f"{fault.element!r} cannot be {both} at the same time"
                return number, f"{reason}: let one end (until) before the other comes (at)"
    return None


def check_added(faults: Sequence[FaultTable], fault: FaultTable) -> None:
    """Raise CircuitError where one more fault contradicts those that are there."""
    if found := contradiction([*faults, fault]):
        raise CircuitError(f"element: {found[1]}")


@dataclass(frozen=True, slots=True)
class ActiveFaults:
    """What is wrong at one instant, sorted by who has to know."""

    elements: tuple[elements.Fault, ...]
    intermittent: tuple[Intermittent, ...]
    exchanged: tuple[tuple[str, str], ...]
    set_percent: float
    response: tuple[FaultTable, ...]
    spikes: Spikes | None


def active_faults(faults: tuple[FaultTable, ...], seconds: float, seed: int) -> ActiveFaults:
    """Return what is wrong at a bench time."""
    now = [(number, fault) for number, fault in enumerate(faults) if fault.active(seconds)]
    changes = [fault.element_fault() for _, fault in now]
    spikes = [fault.spikes(seed) for _, fault in now if fault.kind == "spikes"]
    return ActiveFaults(
        tuple(change for change in changes if change is not None),
        tuple(f.intermittent(seed, n) for n, f in now if f.kind == "intermittent"),
        tuple(f.between for _, f in now if f.kind == "exchanged" and f.between),
        sum(f.percent or 0.0 for _, f in now if f.kind == "plastic-set"),
        tuple(f for _, f in now if f.kind == "response"),
        spikes[0] if spikes else None,
    )
