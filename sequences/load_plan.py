"""What a plan of the load sequences may say. Units stand in the key's name, else SI."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from acq.analysis.oiml_r60 import APPORTIONING_RANGE, DEFAULT_APPORTIONING
from acq.analysis.reading_times import CREEP_S, PRELOADS, WAIT_BEFORE_CREEP_S, WAIT_BEFORE_LOADS_S
from acq.analysis.reference_lines import Line
from drivers.written_file import Written
from sequences.acceptance_plan import AcceptancePlan, Count, Judged, Positive, Share

NotNegative = Annotated[float, Field(ge=0)]
Percent = Annotated[float, Field(ge=0, le=100)]


class Watching(Written):
    """How the bench sees by itself that a load came and stands; shares of the load step."""

    every_s: Positive = 1.0
    started_share: Share = 0.05
    settled_share: Share = 0.002
    settled_s: Positive = 3.0
    wrong_load_share: Share = 0.02  # of the capacity: beyond it another load hangs there
    overshoot_share: Share = 0.05  # beyond the new load: a falling branch is spoilt by it
    patience_s: Positive = 600.0
    source: str


class Reading(Written):
    """One output: excitation, signals, excitation; their mean filters the swing of the load."""

    readings: Annotated[int, Field(ge=1)] = 5
    power_line_cycles: Positive = 10.0
    emf_drift_volts: NotNegative = 1e-6  # half width within a run, where it is not measured
    swing_hertz: tuple[Positive, Positive] = (0.5, 1.0)  # in which a hung load may swing
    # the zero at both polarities before each run, or every point of a load series
    reversal: Literal["never", "where needed", "always", "every point"] = "where needed"
    source: str


class Exercise(Judged):
    """What every load test shares: how the cell is exercised and watched before and meanwhile.

    `maximum_percent` of the capacity is never passed, by whatever the points say.
    """

    maximum_percent: Annotated[float, Field(gt=0, le=100)] = 100.0
    preloads: Annotated[int, Field(ge=0)] = PRELOADS
    preload_hold_s: NotNegative = 60.0
    wait_s: NotNegative = WAIT_BEFORE_LOADS_S
    reading_class: Literal["A", "B", "C", "D"] = "C"  # of the table of reading times
    jack_margin_percent: Annotated[float, Field(ge=0, le=10)] = 2.0  # it overshoots its aim
    within_percent: NotNegative = 0.5  # of the capacity, how near weights must come to a point
    zero_shift_percent: Positive = 50.0  # of rated output: beyond it nothing is loaded
    low_insulation_ohms: Positive = 1e6
    gate_source: str
    direction: Literal["", "tension", "compression", "both"] = ""
    other_direction_is_negative: bool = True
    watching: Watching
    reading: Reading


class Series(Exercise):
    """A load series. `points_percent` are the rising loads; the falling ones are the same."""

    points_percent: tuple[Percent, ...]
    falling: bool = True
    runs: Count = 3
    attempts: Count = 2  # of a run that was spoilt
    ask_after_each_point: bool = False
    returns_s: tuple[Positive, ...] = ()  # zero again so long after the last unloading
    line: str = Line.TERMINAL.value
    accuracy_class: str = ""  # the data sheet's when blank, "none" for no class
    apportioning: Annotated[float, Field(ge=APPORTIONING_RANGE[0], le=APPORTIONING_RANGE[1])] = (
        DEFAULT_APPORTIONING
    )
    class_rule: str = "four statements"

    @field_validator("line")
    @classmethod
    def _line(cls, line: str) -> str:
        if line not in {each.value for each in Line}:
            raise ValueError(f"allowed is {', '.join(each.value for each in Line)}, got {line!r}")
        return line

    @model_validator(mode="after")
    def _points(self) -> Series:
        points = self.points_percent
        if len(points) < 2 or any(b <= a for a, b in pairwise(points)):
            raise ValueError("points_percent: at least two loads that rise, the minimum load first")
        if points[-1] > self.maximum_percent:
            raise ValueError(
                f"points_percent: {points[-1]:g} % is beyond maximum_percent,"
                f" {self.maximum_percent:g} %"
            )
        return self


class Creep(Exercise):
    """Creep under load and the return after it."""

    load_percent: Annotated[float, Field(gt=0, le=100)] = 100.0
    minimum_percent: Percent = 0.0
    before_s: NotNegative = WAIT_BEFORE_CREEP_S  # of rest, between preloads and the load
    held_s: Positive = CREEP_S
    every_s: Positive = 60.0
    recovery_s: NotNegative = CREEP_S
    accuracy_class: str = ""
    class_rule: str = "four statements"

    @model_validator(mode="after")
    def _loads(self) -> Creep:
        if not self.minimum_percent < self.load_percent <= self.maximum_percent:
            raise ValueError(
                f"load_percent {self.load_percent:g} must lie above minimum_percent and not"
                f" beyond maximum_percent, {self.maximum_percent:g}"
            )
        return self


class OffCentre(Exercise):
    """A third of the capacity in the middle of the platform and at its corners."""

    load_percent: Annotated[float, Field(gt=0, le=100)] = 100.0 / 3.0
    corners: Annotated[int, Field(ge=2, le=8)] = 4
    centre_again: bool = True

    @model_validator(mode="after")
    def _loads(self) -> OffCentre:
        if self.load_percent > self.maximum_percent:
            raise ValueError(f"load_percent is beyond maximum_percent, {self.maximum_percent:g}")
        return self


class MatchedSet(Written):
    """Cells that carry one platform together: how unlike their outputs may be."""

    serials: tuple[str, ...]
    output_percent: Positive = 0.1
    source: str = "common practice, no source"

    @field_validator("serials")
    @classmethod
    def _some(cls, serials: tuple[str, ...]) -> tuple[str, ...]:
        if len(serials) < 2 or len(set(serials)) != len(serials):
            raise ValueError("a set has at least two different serials")
        return serials


class Temperatures(Written):
    """From earlier runs at another temperature: what the cell drifts with it."""

    apart_kelvins: Positive = 5.0
    source: str = "common practice, no source: nearer temperatures tell nothing"


class LoadSeriesPlan(AcceptancePlan):
    """The whole plan of the sequence `load-series`; with `creep` the certificate's whole day."""

    load: Series
    creep: Creep | None = None
    matched_set: MatchedSet | None = None
    temperatures: Temperatures = Temperatures()


class CreepPlan(AcceptancePlan):
    """The whole plan of the sequence `creep`."""

    creep: Creep


class OffCentrePlan(AcceptancePlan):
    """The whole plan of the sequence `off-centre`."""

    off_centre: OffCentre
