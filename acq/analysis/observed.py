"""Everything that was observed of one cell, whoever measured it; whatever is missing is None."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from acq.analysis.insulation_evidence import InsulationReadings
from acq.analysis.leads import INPUT, SENSE_LOOPS, LeadPair, lead_pairs
from acq.analysis.network import Floats
from acq.analysis.population import Meters
from acq.analysis.ranking import CellReadings
from acq.analysis.reading_errors import ReadingErrors, meter_columns


@dataclass(frozen=True, slots=True, kw_only=True)
class PairReading:
    """The resistance between two leads in ohm, inf for open.

    `uncertainty` is the standard uncertainty of this reading alone, without what all readings of
    the meter have in common; None: as the population states it. `deviation` is the standard
    deviation of `repeats` repeats. `polarity_ohms` is by how much the reading changes when the
    test current is reversed.
    """

    ohms: float
    uncertainty: float | None = None
    deviation: float | None = None
    repeats: int = 1
    polarity_ohms: float | None = None

    def __post_init__(self) -> None:
        if not self.ohms >= 0.0:
            raise ValueError(f"a resistance is not negative: {self.ohms} ohm")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroReading:
    """The zero balance in V/V. `emf_volts` is what reversal of the excitation has separated;
    where it has not, `excitation_volts` tells how much an EMF weighs in the ratio.
    """

    ratio: float
    uncertainty: float | None = None
    emf_volts: float | None = None
    excitation_volts: float | None = None


@dataclass(frozen=True, slots=True)
class Insulation:
    """An insulation reading in ohm; `above`: it is only a lower bound."""

    ohms: float
    above: bool = False


@dataclass(frozen=True, slots=True)
class Paths:
    """The three insulation readings of a cell, each taken with the third point open."""

    leads_housing: Insulation | None = None
    leads_shield: Insulation | None = None
    shield_housing: Insulation | None = None

    def __iter__(self) -> Iterator[Insulation | None]:
        return iter((self.leads_housing, self.leads_shield, self.shield_housing))


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What a load series found. `span_ratio` is measured over expected output, signed.

    `of_limit` are findings in parts of their limit, by name: see `further_evidence.UNDER_LOAD`.
    """

    span_ratio: float | None = None
    span_uncertainty: float = 5e-4
    of_limit: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """One cell. `flexing` is the largest change of a reading in ohm while the cable was flexed
    or the body tapped, by place: `cable`, `gland`, `body`. `contacts` are low resistances in ohm
    between single leads and shield or housing: the lowest shows which lead touches. `common` are
    the errors that pairs share, each in ohm by pair, one standard deviation; None: those of the
    population's meter.
    """

    pairs: Mapping[LeadPair, PairReading]
    zero: ZeroReading | None = None
    insulation: Paths = Paths()
    contacts: Mapping[LeadPair, float] = field(default_factory=dict)
    celsius: float | None = None
    flexing: Mapping[str, float] = field(default_factory=dict)
    loaded: Loaded | None = None
    common: Sequence[Mapping[LeadPair, float]] | None = None

    def errors_of(self, pairs: Sequence[LeadPair], meters: Meters) -> ReadingErrors:
        """Return the errors of pairs that were read, in ohm; `meters` for what is not stated."""
        stated = [self.pairs[pair].uncertainty for pair in pairs]
        own = np.array([meters.noise_ohms if u is None else u for u in stated])
        if self.common is None:
            return ReadingErrors(own, meter_columns(meters, self.ohms(pairs)[0]))
        return ReadingErrors(own, common_columns(self.common, pairs))

    @property
    def wires(self) -> int:
        """6 when a sense lead was measured, else 4."""
        sense = {lead for loop in SENSE_LOOPS for lead in (loop.one, loop.other)} - {
            INPUT.one,
            INPUT.other,
        }
        return 6 if any(lead in pair for pair in self.pairs for lead in sense) else 4

    def ohms(self, pairs: Sequence[LeadPair]) -> Floats:
        """Return the resistances (1, pairs), NaN where not measured."""
        known = [self.pairs[p].ohms if p in self.pairs else np.nan for p in pairs]
        return np.array([known])

    def as_readings(self, wires: int, mean: Floats | None = None) -> CellReadings:
        """Return this cell as a batch of one."""
        pairs = lead_pairs(wires)
        each = [self.pairs.get(pair) for pair in pairs]
        repeated = [x if x and x.deviation is not None and x.repeats > 1 else None for x in each]
        scatter = np.array([[x.deviation if x else np.nan for x in repeated]], float)
        repeats = np.array([x.repeats if x else 2 for x in repeated], float)
        zero = self.zero
        return CellReadings(
            pairs=self.ohms(pairs),
            zero=np.array([zero.ratio]) if zero else None,
            emf=np.array([zero.emf_volts]) if zero and zero.emf_volts is not None else None,
            insulation=_decades(list(self.insulation)),
            scatter=scatter if np.isfinite(scatter).any() else None,
            repeats=repeats,
            mean=mean,
        )


def common_columns(common: Sequence[Mapping[LeadPair, float]], pairs: Sequence[LeadPair]) -> Floats:
    """Return what pairs have in common, (pairs, influences), in ohm."""
    columns = [[each.get(pair, 0.0) for pair in pairs] for each in common]
    return np.array(columns).reshape(len(common), len(pairs)).T


def _decades(paths: Sequence[Insulation | None]) -> InsulationReadings | None:
    if not any(paths):
        return None
    ohms = [max(path.ohms, 1e-3) if path else np.nan for path in paths]
    above = [bool(path and (path.above or np.isinf(path.ohms))) for path in paths]
    # "open" on a multimeter says no more than that it reaches no further
    finite = [1e8 if np.isinf(x) else x for x in ohms]
    return InsulationReadings(np.log10(np.array([finite])), np.array([above]))
