"""What was computed of a file with a load series, judged where a class was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from acq.analysis.astm_e74 import LowerLimitFactor
from acq.analysis.degree_choice import DegreeChoice
from acq.analysis.iso_376 import ForceResults
from acq.analysis.load_results import LoadResults
from acq.analysis.load_series import LoadSeries
from acq.analysis.oiml_r60 import wording
from acq.analysis.oiml_r60_results import LoadTest
from acq.analysis.polynomial import Polynomial
from acq.analysis.propagation import Result
from acq.analysis.reference_lines import Line
from acq.desk.class_judgement import Judged, exit_code, overall
from acq.desk.exit_codes import ExitCode
from acq.desk.load_units import Units


@dataclass(frozen=True)
class Findings:
    """All that was computed of a file. None where it was not asked for, or cannot be told."""

    file: str
    series: LoadSeries
    units: Units
    line: Line
    results: LoadResults | None
    terminal: LoadResults | None
    without_results: str
    curve: DegreeChoice | Polynomial | None
    solved: Sequence[tuple[float, Result]]
    test: LoadTest | None
    rule: str
    temperature_c: float | None
    factor: LowerLimitFactor | None
    forces: ForceResults | None

    @cached_property
    def judged(self) -> tuple[Judged, ...]:
        if self.test is None:
            return ()
        missing = self.test.runs_missing
        why = next((note for note in self.test.notes if "asks for" in note), "") if missing else ""
        limited = (*self.test.errors, *self.test.repeatability)
        return tuple(Judged.of(each, self.rule, why) for each in limited)

    @property
    def polynomial(self) -> Polynomial | None:
        return self.curve.chosen if isinstance(self.curve, DegreeChoice) else self.curve

    @property
    def code(self) -> ExitCode:
        return exit_code(self.judged)

    @property
    def statement(self) -> str:
        """The claim about the class, with what came of it."""
        if self.test is None:
            return ""
        said = wording(self.test.span.accuracy, self.temperature_c)
        return f"{said}: {overall(self.judged).value}"

    @property
    def notes(self) -> list[str]:
        """What a reader must know beside the figures, each once."""
        notes = [self.without_results] if self.without_results else []
        for part in (self.results, self.test, self.factor, self.forces):
            notes += [] if part is None else list(part.notes)
        if self.test is not None and self.temperature_c is None:
            notes.append("temperature not stated")
        return list(dict.fromkeys(notes))
