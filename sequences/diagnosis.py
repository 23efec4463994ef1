"""What the findings of an electrical test say together: which part is broken, and how it looks.

Nothing is measured here. The answer and the drawing are kept in the journal, so that the
certificate shows them as they were found.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from acq.analysis.diagnosis import diagnose
from acq.analysis.drawing import as_svg
from acq.analysis.leads import Lead, LeadPair
from acq.analysis.leads_report import LeadsReport, document, picture
from acq.analysis.observed import (
    Insulation,
    Loaded,
    Observed,
    PairReading,
    Paths,
    ZeroReading,
)
from acq.analysis.population import Population
from acq.cells.expectation import earlier_readings, expected_cells
from acq.readings.budget import shared_influences
from acq.readings.measured import Bound, Measured
from acq.runs.run import Run

if TYPE_CHECKING:
    from sequences.zero_basis import Basis

_KEPT = ("faults", "next_test", "cannot_see", "assumption", "arms", "probabilities")


@dataclass(slots=True)
class Seen:
    """What the checks of a run leave for the diagnosis and for each other; blanks: not measured.

    `unsteady` withholds what a cell that is not soaked cannot tell; `sense_objection` is why its
    sense leads are not used. `bridge` names the bridge where a body has several.
    """

    pairs: dict[LeadPair, Measured] = field(default_factory=dict)
    repeats: dict[LeadPair, list[float]] = field(default_factory=dict)  # ohm
    polarity: dict[LeadPair, float] = field(default_factory=dict)  # ohm, forward less reversed
    one_way: set[LeadPair] = field(default_factory=set)  # conduct in one direction only
    unsteady_pairs: set[LeadPair] = field(default_factory=set)
    kelvin: Measured | None = None
    insulation: dict[str, Measured] = field(default_factory=dict)  # by path
    contacts: dict[LeadPair, float] = field(default_factory=dict)
    flexing: dict[str, float] = field(default_factory=dict)  # ohm, by place
    of_limit: dict[str, float] = field(default_factory=dict)
    span_ratio: float | None = None  # measured over expected output, signed
    zero: Any = None  # per volt where the excitation was read
    predicted: Any = None  # likewise
    basis: Basis | None = None
    emf: Any = None
    unsteady: str = ""
    unsoaked: bool = False
    sense_objection: str = ""
    bridge: str = ""
    celsius: float | None = None  # of the room, and of a cell that is soaked
    tester_wrong: str = ""  # why no further insulation test is made
    clips: tuple[Lead, Lead] | None = None  # where the meter's HI and LO are

    def named(self, name: str) -> str:
        """Return a finding's name, with its bridge where there are several."""
        return f"{self.bridge}: {name}" if self.bridge else name

    def observed(self) -> Observed:
        shared = shared_influences(self.pairs)
        # two repeats may agree by chance
        least = Population().meters.noise_ohms
        own = {pair: max(ohms, least) for pair, ohms in shared.own.items()}
        return Observed(
            pairs={pair: self._pair(pair, value, own) for pair, value in self.pairs.items()},
            common=shared.common,
            insulation=Paths(
                leads_housing=self._path("leads to housing"),
                leads_shield=self._path("leads to shield"),
                shield_housing=self._path("shield to housing"),
            ),
            contacts=self.contacts,
            flexing=self.flexing,
            zero=self._zero(),
            celsius=self.celsius,
            loaded=self._loaded(),
        )

    def _loaded(self) -> Loaded | None:
        if self.span_ratio is None and not self.of_limit:
            return None
        return Loaded(span_ratio=self.span_ratio, of_limit=self.of_limit)

    def _pair(self, pair: LeadPair, value: Measured, own: Mapping[LeadPair, float]) -> PairReading:
        repeats = self.repeats.get(pair, [])
        return PairReading(
            ohms=_ohms(value),
            uncertainty=own.get(pair),
            deviation=statistics.stdev(repeats) if len(repeats) > 1 else None,
            repeats=max(1, len(repeats)),
            polarity_ohms=self.polarity.get(pair),
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
        factor = 1.0 if self.basis is None else getattr(self.basis.factor, "x", self.basis.factor)
        # the network knows the plug only
        return ZeroReading(ratio=float(self.zero.x) / float(factor), emf_volts=emf)


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
