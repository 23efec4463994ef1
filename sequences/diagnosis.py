"""What the findings of an electrical test say together: which part is broken, and how it looks.

Nothing is measured here. The answer and the drawing are kept in the journal, so that the
certificate shows them as they were found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from acq.analysis.diagnosis import diagnose
from acq.analysis.drawing import as_svg
from acq.analysis.leads import LeadPair
from acq.analysis.leads_report import LeadsReport, document, picture
from acq.analysis.observed import Insulation, Observed, PairReading, Paths, ZeroReading
from acq.cells.expectation import earlier_readings, expected_cells
from acq.readings.measured import Bound, Measured
from acq.runs.run import Run

_KEPT = ("faults", "next_test", "cannot_see", "assumption", "arms", "probabilities")


@dataclass(slots=True)
class Seen:
    """What the checks of a run leave for the diagnosis; blanks are not measured."""

    pairs: dict[LeadPair, Measured] = field(default_factory=dict)
    insulation: dict[str, Measured] = field(default_factory=dict)  # by path
    zero: Any = None
    emf: Any = None

    def observed(self) -> Observed:
        return Observed(
            pairs={pair: PairReading(ohms=_ohms(value)) for pair, value in self.pairs.items()},
            insulation=Paths(
                leads_housing=self._path("leads to housing"),
                leads_shield=self._path("leads to shield"),
                shield_housing=self._path("shield to housing"),
            ),
            zero=self._zero(),
        )

    def _path(self, name: str) -> Insulation | None:
        measured = self.insulation.get(name)
        if measured is None:
            return None
        if isinstance(measured, Bound):
            return Insulation(measured.value, above=measured.kind == "above")
        return Insulation(max(0.0, measured.x))

    def _zero(self) -> ZeroReading | None:
        if self.zero is None:
            return None
        emf = None if self.emf is None else float(self.emf.x)
        return ZeroReading(ratio=float(self.zero.x), emf_volts=emf)


def diagnosis(run: Run[Any], seen: Seen) -> None:
    """Keep the ranked faults, their evidence and the drawing of the bridge."""
    with run.check("diagnosis") as check:
        observed = seen.observed()
        expected = expected_cells(run.cell, observed.celsius, observed.wires)
        try:
            found = diagnose(observed, expected, earlier=earlier_readings(run.cell, expected[0][0]))
        except ValueError as error:
            check.withhold(str(error))
            return
        papers = f"{run.cell.serial}, {run.cell.data_sheet.name}"
        report = LeadsReport.of("", papers, observed, found, None, marked=True)
        told: Mapping[str, Any] = document(report)
        check.keep("diagnosis", "faults", {key: told[key] for key in _KEPT})
        check.keep("figure", "bridge", {"svg": as_svg(picture(report))})


def _ohms(measured: Measured) -> float:
    """A pair's resistance; what is above the meter's largest range counts as open."""
    return float("inf") if isinstance(measured, Bound) else max(0.0, measured.x)
