"""Sentences that a person can check: what was read, what sound cells read, what the fault gives."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from acq.analysis.candidates import Candidate
from acq.analysis.faults import MEANING, Fault, FaultAt
from acq.analysis.insulation_evidence import PATHS
from acq.analysis.leads import LeadPair
from acq.analysis.leak_models import MOISTURE
from acq.analysis.network import Floats
from acq.analysis.network_evidence import covariance
from acq.analysis.observed import Observed
from acq.analysis.wording import listed, millivolts, ohms, tidy

TELLING = 3.0  # standard deviations from sound that make a reading worth a sentence
SENTENCES = 3
PATH_OF = {
    MOISTURE[0].fault: (0,),
    MOISTURE[1].fault: (1,),
    Fault.SHIELD_TO_HOUSING: (2,),
    Fault.LEAD_SHORT: (0, 1),
}


def in_words(faults: tuple[FaultAt, ...]) -> str:
    """Return a set of faults in words, with their places."""
    if not faults:
        return "no fault"
    return " and ".join(f"{x.fault} at {x.place}" if x.place else str(x.fault) for x in faults)


def size_of(candidate: Candidate, fault: FaultAt) -> str:
    """Return how large the fault is in this explanation; empty where it has no size."""
    for line, size in candidate.lines:
        if line.measure is not None and fault in [place for place, _ in line.shares]:
            seen = abs(size) > 2.0 * candidate.sigma
            return line.measure.text(size) if seen else "too small to be seen"
    return ""


def evidence(candidate: Candidate, fault: FaultAt, seen: Observed) -> tuple[str, ...]:
    """Return what speaks for a fault in its most probable explanation."""
    said = [*_size(candidate, fault), *_opens(candidate, seen), *_readings(candidate, seen)]
    said += [*_paths(fault, seen), *_scatter(candidate, seen), *_voltage(fault, seen)]
    said += [*_elsewhere(fault, seen)]
    if candidate.predicted is not None and candidate.freedom > 0:
        fit = f"Fit: chi-square {candidate.chi_square:.1f}"
        said.append(f"{fit} for {candidate.freedom} degrees of freedom.")
    if fault.fault is Fault.UNKNOWN and candidate.predicted is None:
        said.append("No single fault and no two faults give these readings.")
    return tuple(said)


def _size(candidate: Candidate, fault: FaultAt) -> Iterator[str]:
    size = size_of(candidate, fault)
    if size:
        where = f" in {fault.place}" if fault.place else ""
        yield (
            f"{MEANING[fault.fault]}{where}: {size}."[0].upper()
            + (f"{MEANING[fault.fault]}{where}: {size}."[1:])
        )


def _opens(candidate: Candidate, seen: Observed) -> Iterator[str]:
    pairs = candidate.ranker.pairs
    opened = [str(p) for p in pairs if p in seen.pairs and np.isinf(seen.pairs[p].ohms)]
    if opened and candidate.predicted is not None:
        yield f"Open are just {listed(opened)}, as {in_words(candidate.faults)} makes them."


def _readings(candidate: Candidate, seen: Observed) -> Iterator[str]:
    """The readings that lie farthest from a sound cell's, against what the fault gives."""
    if candidate.predicted is None:
        return
    sound, spread = sound_cell(candidate)
    what = f"with {in_words(candidate.faults)}" if candidate.faults else "expected"
    far: list[tuple[float, str]] = []
    for place, pair in enumerate(candidate.ranker.pairs):
        read = seen.pairs[pair].ohms if pair in seen.pairs else np.nan
        if np.isfinite(read):
            away = abs(read - sound[place]) / spread[place]
            given = f", {what} {ohms(candidate.predicted[place])}" if candidate.faults else ""
            about = f"{tidy(sound[place])} ± {2.0 * spread[place]:.2g} ohm"
            far.append((away, f"{pair} reads {ohms(read)}: a sound cell {about}{given}."))
    told = [text for away, text in sorted(far, reverse=True) if away > TELLING]
    yield from told[:SENTENCES]
    if not told and far:
        yield f"All {len(far)} resistances are within what sound cells of these papers read."
    yield from _zero(candidate, seen, sound, spread)


def _zero(candidate: Candidate, seen: Observed, sound: Floats, spread: Floats) -> Iterator[str]:
    if seen.zero is None or candidate.predicted is None or np.isinf(candidate.predicted).any():
        return
    double = 2.0 * sound[candidate.ranker.pairs.index(LeadPair.of("Ex+", "Ex-"))]
    about = f"{millivolts(sound[-1] / double)} ± {2e3 * spread[-1] / double:.2g} mV/V"
    given = candidate.predicted[-1] / (
        2.0 * candidate.predicted[candidate.ranker.pairs.index(LeadPair.of("Ex+", "Ex-"))] + 1e-12
    )
    text = f"The zero is {millivolts(seen.zero.ratio)}: a sound cell {about}"
    if candidate.faults:
        text += f", with {in_words(candidate.faults)} {millivolts(given)}"
    yield text + "."


def sound_cell(candidate: Candidate) -> tuple[Floats, Floats]:
    """Return the readings of a sound cell (D,) and their standard deviations, in ohm."""
    ranker, line = candidate.ranker, candidate.ranker.lines[0]
    rows = np.arange(len(line.base))
    total = covariance(line, rows, ranker.errors, np.zeros(1), ranker.root)[0]
    return line.base + line.base_slopes @ candidate.mean, np.sqrt(np.diag(total))


def _paths(fault: FaultAt, seen: Observed) -> Iterator[str]:
    if fault.fault is Fault.LEAD_SHORT and len(fault.where) != 1:
        return
    for path in PATH_OF.get(fault.fault, ()):
        reading = list(seen.insulation)[path]
        if reading is None:
            yield f"The insulation {PATHS[path]} was not measured."
        else:
            above = "above " if reading.above or np.isinf(reading.ohms) else ""
            limit = "above 1 Gohm" if path != 2 else "above 1 Gohm where isolated by design"
            yield f"The insulation {PATHS[path]} is {above}{ohms(reading.ohms)}; sound is {limit}."


def _scatter(candidate: Candidate, seen: Observed) -> Iterator[str]:
    for line, _ in candidate.lines:
        if line.scatter is None:
            continue
        for place, pair in enumerate(candidate.ranker.pairs):
            reading = seen.pairs.get(pair)
            if reading is None or reading.deviation is None or line.scatter[place] < 0.5:
                continue
            usual = candidate.ranker.population.meters.repeat_ohms
            if reading.deviation > TELLING * usual:
                yield f"Repeats of {pair} scatter by {reading.deviation:.2g} ohm, sound by {usual}."
                return


def _voltage(fault: FaultAt, seen: Observed) -> Iterator[str]:
    if fault.fault is Fault.THERMAL_EMF and seen.zero and seen.zero.emf_volts is not None:
        yield (
            f"{1e6 * seen.zero.emf_volts:+.2g} uV do not follow the excitation when it is reversed;"
            " 1 uV is usual."
        )


def _elsewhere(fault: FaultAt, seen: Observed) -> Iterator[str]:
    for place, change in seen.flexing.items():
        if abs(change) > 0.02:
            yield f"A reading moves by {change:.2g} ohm when the {place} is moved."
    if seen.loaded is None:
        return
    for name, part in seen.loaded.of_limit.items():
        if abs(part) > 1.0:
            yield f"The {name} is {abs(part):.2g} times its limit."
    if seen.loaded.span_ratio is not None and fault.fault is not Fault.NONE_FOUND:
        yield f"The output under load is {seen.loaded.span_ratio:+.4f} times the expected one."
