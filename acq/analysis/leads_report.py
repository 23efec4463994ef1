"""What an analysis of lead readings says: one JSON document, or text with a drawing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from acq.analysis.arms import BROKEN_OHMS, Assumption, Identification, identify, unseen
from acq.analysis.diagnosis import Diagnosis, Suspect
from acq.analysis.disagreements import zero_from_pairs
from acq.analysis.drawing import BridgePicture, Part, ohms_part
from acq.analysis.drawing_text import as_text
from acq.analysis.expectation import ExpectedCell
from acq.analysis.faults import MEANING, Fault
from acq.analysis.insulation_evidence import PATHS
from acq.analysis.lead_identification import WiringMap
from acq.analysis.leads import ARMS, FOUR_WIRE_PAIRS, INPUT, OUTPUT, Lead, LeadPair, lead_pairs
from acq.analysis.network import Delta, solve_delta
from acq.analysis.observed import Observed
from acq.analysis.population import Population
from acq.analysis.wording import millivolts, ohms

ASSUMED = (
    "readings without a stated uncertainty: that of their last digit, and a good multimeter on "
    "four wires (60 ppm gain, 6 mohm offset, one standard deviation)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadsReport:
    """All that is told; `papers` names the sheet, or that the nominal was inferred. `marked` says
    that the wires carried the names of leads.
    """

    file: str
    papers: str
    seen: Observed
    diagnosis: Diagnosis
    arms: Identification | None
    wiring: WiringMap | None
    marked: bool

    @classmethod
    def of(
        cls,
        file: str,
        papers: str,
        seen: Observed,
        diagnosis: Diagnosis,
        wiring: WiringMap | None,
        *,
        marked: bool,
    ) -> LeadsReport:
        """Return the report, with the arms where all pairs of the bridge were read."""
        arms = _arms(seen, diagnosis.expected)
        return cls(
            file=file,
            papers=papers,
            seen=seen,
            diagnosis=diagnosis,
            arms=arms,
            wiring=wiring,
            marked=marked,
        )

    @property
    def title(self) -> str:
        """Whose bridge it is, by how much."""
        expected = self.diagnosis.expected
        return f"{self.papers}: {expected.arm_ohms:.4g} ohm bridge, {expected.wires} wires"

    @property
    def unseen(self) -> tuple[str, ...]:
        """What the readings cannot tell."""
        said = list(unseen(_assumption(self.diagnosis.expected), self.diagnosis.expected.wires))
        missing = [p for p, x in zip(PATHS, self.seen.insulation, strict=True) if x is None]
        if missing:
            said.append(f"Insulation was not measured: {', '.join(missing)}.")
        if self.seen.zero is None:
            said.append("No zero was measured: nothing checks the predicted one.")
        if self.seen.celsius is None:
            said.append("The temperature is not stated: 22 degC is assumed, loosely.")
        return tuple(said)


def _assumption(expected: ExpectedCell) -> Assumption:
    total = sum(expected.legs_ohms)
    return Assumption(
        share=expected.legs_ohms[0] / total if total else 0.5,
        split_ohms=0.01 * total,
        conductor_ohms=expected.conductor_ohms,
        conductor_uncertainty=float(
            np.hypot(0.03 * expected.conductor_ohms, expected.conductor_uncertainty)
        ),
        source=expected.source,
    )


def _arms(seen: Observed, expected: ExpectedCell) -> Identification | None:
    """Return the arms where the bridge could be read; None where a pair is open or missing."""
    wanted = lead_pairs(expected.wires)

    def readable(pairs: Sequence[LeadPair]) -> bool:
        return all(p in seen.pairs and np.isfinite(seen.pairs[p].ohms) for p in pairs)

    # an open sense lead leaves the bridge itself as readable as on four wires
    pairs = wanted if readable(wanted) else FOUR_WIRE_PAIRS
    if not readable(pairs):
        return None
    read = seen.ohms(pairs)
    covariance = seen.errors_of(pairs, Population().meters).covariance(np.arange(len(pairs)))
    found = identify(pairs, read, _assumption(expected), covariance=covariance)
    return found if (found.arms > 0.01).all() else None


def document(report: LeadsReport) -> dict[str, Any]:
    """Return the one JSON document."""
    diagnosis, expected = report.diagnosis, report.diagnosis.expected
    zero = zero_from_pairs(report.seen, Population().meters)
    measured = report.seen.zero
    return {
        "file": report.file,
        "papers": report.papers,
        "nominal": {
            "ohms": expected.arm_ohms,
            "inferred": expected.inferred,
            "source": expected.source,
            "wires": expected.wires,
        },
        "assumption": expected.compensation,
        "predicted_zero_mv_v": None if zero is None else 1e3 * zero[0],
        "predicted_zero_expanded_uncertainty_mv_v": None if zero is None else 2e3 * zero[1],
        "measured_zero_mv_v": None if measured is None else 1e3 * measured.ratio,
        "arms": _arms_document(report.arms),
        "insulation_paths": _delta(report.seen),
        "disagreements": [*diagnosis.disagreements, *_exchanged(report)],
        "faults": [_fault(suspect) for suspect in diagnosis.suspects],
        "next_test": diagnosis.next_test,
        "cannot_see": list(report.unseen),
        "wiring": _wiring(report.wiring),
        "probabilities": diagnosis.population,
        "assumed": ASSUMED,
    }


def _fault(suspect: Suspect) -> dict[str, Any]:
    return {
        "fault": str(suspect.fault.fault),
        "where": [str(lead) for lead in suspect.fault.where],
        "probability": round(suspect.probability, 6),
        "evidence": list(suspect.evidence),
        "next_test": suspect.next_test,
    }


def _arms_document(arms: Identification | None) -> list[dict[str, Any]]:
    if arms is None:
        return []
    told = []
    for place, (name, leads) in enumerate(ARMS.items()):
        value, spread = float(arms.arms[0, place]), float(arms.arm_uncertainty[0, place])
        broken = value > BROKEN_OHMS
        told.append(
            {
                "arm": name,
                "leads": [str(lead) for lead in leads],
                "ohms": None if broken else value,
                "expanded_uncertainty": None if broken else 2.0 * spread,
                "coverage_factor": 2.0,
                "open": broken,
            }
        )
    return told


def _delta(seen: Observed) -> list[dict[str, Any]]:
    """Return the paths that make three insulation readings, where all three are numbers."""
    three = list(seen.insulation)
    if not all(x is not None and not x.above for x in three):
        return []
    lh, ls, sh = (x.ohms for x in three if x is not None)
    found = solve_delta(Delta(lh, ls, sh))
    values = (found.leads_housing, found.leads_shield, found.shield_housing)
    return [
        {"path": name, "ohms": value if value > 0 else None}
        for name, value in zip(PATHS, values, strict=True)
    ]


def _delta_lines(seen: Observed) -> Iterator[str]:
    paths = _delta(seen)
    if paths:
        yield ""
        yield "Three insulation readings are solved as three paths:"
    for one in paths:
        value = one["ohms"]
        yield f"  {one['path']}: {'none that shows' if value is None else ohms(value)}"


def _exchanged(report: LeadsReport) -> tuple[str, ...]:
    """Return exchanged marks, where the diagnosis does not explain the readings otherwise."""
    likely = any(
        suspect.fault.fault is Fault.SWAPPED_LEADS and suspect.probability > 0.1
        for suspect in report.diagnosis.suspects
    )
    return report.wiring.exchanged if report.wiring and likely else ()


def _wiring(wiring: WiringMap | None) -> list[dict[str, Any]]:
    if wiring is None:
        return []
    return [
        {
            "wire": one.wire,
            "lead": None if one.lead is None else str(one.lead),
            "either": [str(lead) for lead in one.either],
            "needs_load": one.needs_load,
            "evidence": one.evidence,
        }
        for one in wiring.wires
    ]


def picture(report: LeadsReport) -> BridgePicture:
    """Return the drawing: measured against expected, suspects marked."""
    expected, arms = report.diagnosis.expected, report.arms
    parts = {}
    for place, name in enumerate("ABCD"):
        value = spread = None
        if arms is not None:
            value, spread = float(arms.arms[0, place]), 2.0 * float(arms.arm_uncertainty[0, place])
        broken = value is not None and value > BROKEN_OHMS
        measured = Part(measured="open") if broken else ohms_part(value, None, spread or 0.0)
        about = ohms_part(None, expected.arm_ohms).expected
        parts[name] = Part(measured=measured.measured, expected=about)
    legs = {
        lead: ohms_part(None, leg)
        for lead, leg in zip(("Ex+", "Ex-"), expected.legs_ohms, strict=True)
        if leg > 0
    }
    answer = report.diagnosis.suspects[0].fault
    likely = report.diagnosis.together if answer.fault is not Fault.NONE_FOUND else ()
    return BridgePicture(
        title=report.title,
        arms=parts,
        legs=legs,
        paths=_path_parts(report.seen),
        suspects=likely,
        wires=expected.wires,
        notes=(*_pair_notes(report), expected.compensation),
    )


def _pair_notes(report: LeadsReport) -> Iterator[str]:
    """Yield what the drawing has no place for: input, output and zero, against the papers."""
    expected, seen = report.diagnosis.expected, report.seen
    for name, pair, about in (
        ("input", INPUT, expected.input_ohms),
        ("output", OUTPUT, expected.output_ohms),
    ):
        if pair in seen.pairs:
            yield f"{name} {pair}: {ohms(seen.pairs[pair].ohms)}, expected {ohms(about)} at 20 degC"
    demanded = zero_from_pairs(seen, Population().meters)
    if seen.zero is not None:
        said = f"zero: {millivolts(seen.zero.ratio)}, expected {millivolts(expected.zero)}"
        if demanded is not None:
            U = 2e3 * demanded[1]
            said += f"; the pairs demand {millivolts(demanded[0])} ± {U:.2g} mV/V"
        yield said


def _path_parts(seen: Observed) -> dict[Lead, Part]:
    parts = {}
    for lead, reading in (
        (Lead.HOUSING, seen.insulation.leads_housing),
        (Lead.SHIELD, seen.insulation.leads_shield),
    ):
        if reading is not None:
            above = "above " if reading.above and np.isfinite(reading.ohms) else ""
            parts[lead] = Part(measured=f"{above}{ohms(reading.ohms)} to the leads")
    return parts


def text(report: LeadsReport) -> Iterator[str]:
    """Yield the report for people."""
    diagnosis = report.diagnosis
    yield as_text(picture(report))
    yield ""
    yield from _zero_lines(report)
    if diagnosis.expected.inferred:
        yield f"No sheet: a nominal of {diagnosis.expected.arm_ohms:g} ohm is inferred."
    yield ""
    for suspect in diagnosis.suspects:
        place = f" at {suspect.fault.place}" if suspect.fault.place else ""
        meaning = MEANING[suspect.fault.fault]
        yield f"{suspect.probability:7.1%}  {suspect.fault.fault}{place}: {meaning}"
    yield ""
    yield from (f"  {line}" for line in diagnosis.answer.evidence)
    yield f"Next test: {diagnosis.next_test}"
    yield from (f"Disagrees: {line}" for line in (*diagnosis.disagreements, *_exchanged(report)))
    if report.wiring is not None and not report.marked:
        yield ""
        yield from (
            f"  {one.wire}: {one.lead or 'one of ' + ', '.join(one.either)} ({one.evidence})"
            for one in report.wiring.wires
        )
        yield from (f"  {line}" for line in report.wiring.open_questions)
    yield from _delta_lines(report.seen)
    yield ""
    yield "What these readings cannot tell:"
    yield from (f"  {line}" for line in report.unseen)
    yield f"{diagnosis.population[0].upper()}{diagnosis.population[1:]}."


def _zero_lines(report: LeadsReport) -> Iterator[str]:
    zero = zero_from_pairs(report.seen, Population().meters)
    if zero is None:
        yield "A zero cannot be predicted while a pair is open or missing."
    else:
        yield f"Zero demanded by the six pairs: {millivolts(zero[0])} ± {2e3 * zero[1]:.2g} mV/V."
    if report.seen.zero is not None:
        yield f"Zero measured: {millivolts(report.seen.zero.ratio)}."
