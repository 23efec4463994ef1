"""What `bridgebench analyse creep` says: document, tables, picture and exit code."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from acq.analysis.creep import MINUTE_S, OF_APPLIED_OUTPUT, CreepResults
from acq.analysis.oiml_r60 import EDITION, wording
from acq.analysis.oiml_r60_results import CreepTest, Limited
from acq.analysis.plots import creep_plot
from acq.analysis.propagation import Result
from acq.desk.class_judgement import Judged, exit_code, judged_table, overall, to_json
from acq.desk.exit_codes import ExitCode
from acq.desk.load_series_json import in_units
from acq.desk.load_series_text import result_text
from acq.desk.load_units import Units
from acq.desk.tables import Table


@dataclass(frozen=True)
class CreepFindings:
    """All that was computed of one record; `test` is None where no class was asked for."""

    file: str
    units: Units
    results: CreepResults
    test: CreepTest | None
    rule: str
    temperature_c: float | None
    assumed: tuple[str, ...]

    @cached_property
    def judged(self) -> tuple[Judged, ...]:
        if self.test is None:
            return ()
        found = (self.test.creep, self.test.late_creep, self.test.dead_load_return)
        return tuple(Judged.of(each, self.rule) for each in found if each is not None)

    @property
    def complete(self) -> bool:
        """Whether the record has a reading for every limit of the class."""
        return self.test is None or len(self.judged) == 3

    @property
    def code(self) -> ExitCode:
        code = exit_code(self.judged)
        return ExitCode.UNDECIDED if code is ExitCode.DONE and not self.complete else code

    @property
    def statement(self) -> str:
        """The claim about the class, with what came of it."""
        if self.test is None:
            return ""
        word = overall(self.judged).value if self.complete else "withheld, see the notes"
        if self.code is ExitCode.FAILED:
            word = overall(self.judged).value
        return f"creep {wording(self.test.span.accuracy, self.temperature_c)}: {word}"

    @property
    def notes(self) -> list[str]:
        test = () if self.test is None else self.test.notes
        return list(dict.fromkeys((*self.results.notes, *test, *self.assumed)))

    # the document

    def document(self) -> dict[str, Any]:
        """Return everything in SI; creep as a fraction of the output that the load gave."""
        found = self.results
        return {
            "file": self.file,
            "output_unit": self.units.output_si,
            "load_unit": self.units.load_si,
            "results": [in_units(each, self.units) for each in found.results],
            "recovery_ratio": found.recovery_ratio,
            "time_constants": self._terms(),
            "curve": [list(point) for point in found.curve],
            "recovery_curve": [list(point) for point in found.recovery_curve],
            "class": self._class(),
            "notes": self.notes,
        }

    def _terms(self) -> list[dict[str, Any]]:
        fit = self.results.fit
        if fit is None:
            return []
        return [
            {
                "time_constant": term.time_constant.to_json(),
                "amplitude": in_units(term.amplitude, self.units),
            }
            for term in fit.terms
        ]

    def _class(self) -> dict[str, Any] | None:
        test = self.test
        if test is None:
            return None
        mass = test.dead_load_return_mass
        told = [to_json(each, self.rule) for each in self.judged]
        return {
            "statement": self.statement,
            "edition": EDITION,
            "class": test.span.accuracy.symbol,
            "verification_interval": self.units.si_load(test.span.interval),
            "dead_load_return": None if mass is None else self.units.si_load(mass),
            "rule": self.rule,
            "conformity": overall(self.judged).value if self.complete else "withheld",
            "findings": [each | {"load": self.units.si_load(each["load"])} for each in told],
        }

    # the text

    def parts(self) -> Iterator[Table | str]:
        """Return tables and lines for people."""
        rows = tuple(self._row(found) for found in self.results.results)
        yield Table(f"{self.file}: creep and return", ("result", "value", "U", "k", "at"), rows)
        yield from self._fit_parts()
        if self.results.recovery_ratio is not None:
            yield f"recovery over creep: {self.results.recovery_ratio:.2f}"
        if self.test is not None:
            span = self.test.span
            title = (
                f"{EDITION}, class {span.accuracy.symbol}, creep always with p_LC 0.7, "
                f"v = {self.units.load_text(span.interval)}"
            )
            yield judged_table(title, self.judged, self._place)
            if self.test.dead_load_return_mass is not None:
                yield f"DR = {self.units.load_text(self.test.dead_load_return_mass)}"
            yield self.statement
        yield from (f"note: {note}" for note in self.notes)

    def _place(self, each: Limited) -> str:
        return each.result.where or self.units.load_text(each.load)

    def _row(self, found: Result) -> tuple[str, ...]:
        part = found.unit == OF_APPLIED_OUTPUT
        scale = 100.0 if part else self.units.shown_output(1.0)
        unit = "%" if part else self.units.output_shown
        expanded = None if found.expanded is None else found.expanded * scale
        value, _, spread = result_text(found.value * scale, expanded, unit).partition(" ± ")
        factor = f"{found.uncertainty.coverage_factor:.2f}" if found.uncertainty else ""
        return found.name, value, spread or "not stated", factor, found.where

    def _fit_parts(self) -> Iterator[Table | str]:
        fit = self.results.fit
        if fit is None:
            return
        applied = self.results.applied_output.value
        rows = tuple(
            (
                f"near {term.time_constant.value:.0f} s, hardly determined"
                if term.vague
                else result_text(term.time_constant.value, term.time_constant.expanded, "s"),
                f"{100.0 * term.amplitude.value / applied:+.4f} %",
            )
            for term in fit.terms
        )
        yield Table("Time constants by fit", ("time constant", "still to come, of output"), rows)

    # the picture

    def pictures(self) -> Mapping[str, str]:
        """Return the creep curve in percent of the applied output, over minutes."""
        found = self.results
        creep = [(seconds / MINUTE_S, 100.0 * value) for seconds, value in found.curve]
        recovery = [(seconds / MINUTE_S, 100.0 * value) for seconds, value in found.recovery_curve]
        expanded = found.creep_30_min.expanded
        limit = None
        if self.test is not None:
            limit = 100.0 * self.test.creep.limit_v / self.test.span.accuracy.intervals
        text = creep_plot(
            creep,
            recovery,
            y_label="change, % of applied output",
            fitted=self._fitted if found.fit is not None else None,
            limit=limit,
            half=None if expanded is None else 100.0 * expanded,
        )
        return {"creep.svg": text}

    def _fitted(self, minutes: float) -> float:
        """Return the fitted curve as creep in percent, from the initial reading."""
        assert self.results.fit is not None
        applied = self.results.applied_output.value
        change = self.results.fit.at(minutes * MINUTE_S) - self.results.initial_output
        return 100.0 * change / applied
