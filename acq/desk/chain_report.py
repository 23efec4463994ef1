"""The answer to "which block is it": as text that a technician acts on, and as one document."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from acq.analysis.chain_evidence import Comparison
from acq.analysis.chain_isolation import CONFIDENT, Answer, Isolation
from acq.analysis.chain_steps import AREA, HANGING, INHIBIT, LOOP_OPEN, NO_INSULATION, Step
from acq.cells.chain_visit import ChainVisit
from acq.desk.exit_codes import ExitCode

CAUTIONS = (INHIBIT, AREA, LOOP_OPEN, HANGING, NO_INSULATION)


def exit_code(found: Isolation) -> ExitCode:
    """A block at fault is a failure; undecided and unknown are not decided."""
    if found.answer is Answer.BLOCK:
        return ExitCode.FAILED
    return ExitCode.DONE if found.answer is Answer.NONE_FOUND else ExitCode.UNDECIDED


def parts(visit: ChainVisit, found: Isolation) -> Iterator[str]:
    """The report, piece by piece."""
    yield f"{visit.chain.name}: {found.answer.value}"
    yield f"  {found.because}\n"
    for title, lines in (("Evidence", found.evidence), ("Assumed", told_notes(visit, found))):
        if lines:
            yield title + "\n" + "\n".join(f"  - {line}" for line in lines) + "\n"
    yield _probabilities(found)
    yield _comparisons(found.comparisons)
    yield "Next\n" + "\n".join(
        _step(number, step) for number, step in enumerate(found.next_steps, 1)
    )
    yield "\nBefore any hand acts\n" + "\n".join(f"  ! {line}" for line in CAUTIONS)


def told_notes(visit: ChainVisit, found: Isolation) -> tuple[str, ...]:
    """What was assumed, where it comes from and what was not looked at."""
    notes = list(visit.notes)
    if visit.file.typed_in_later:
        notes.append("readings were written on a form and typed in later")
    if found.unchecked:
        names = ", ".join(block.value for block in found.unchecked)
        notes.append(f"no reading tests by itself: {names}")
    notes.append(f"population: {found.population.source}")
    notes += [
        f"excitation of {state.name!r}: {state.excitation_ac:.3g} V AC on"
        f" {state.excitation:.3g} V DC: pulsed or alternating, so a plain mV source must not stand"
        f" in for the cells ({visit.file.tolerance.pulsed.source})"
        for state in visit.file.states
        if isinstance(state.excitation_ac, float)
        and isinstance(state.excitation, float)
        and state.excitation_ac > (visit.file.tolerance.pulsed.value or 0.0) * state.excitation
    ]
    return tuple(notes)


def _probabilities(found: Isolation) -> str:
    rows = [(s.probability, s.block.value, s.what) for s in found.suspects]
    rows.append((found.none, "none", "every block within its tolerance"))
    rows.append((found.unknown, "unknown", "something that is not thought of here"))
    lines = [f"  {part:5.3f}  {name:<15}  {what}" for part, name, what in rows]
    title = f"Probability under the stated population (a block is named from {CONFIDENT} on)"
    return "\n".join([title, *lines, ""])


def _comparisons(comparisons: tuple[Comparison, ...]) -> str:
    lines = [f"  {c.outcome:<8}  {c.sentence().rsplit(': ', 1)[0]}" for c in comparisons]
    return "\n".join(["Each block by itself", *lines, ""])


def _step(number: int, step: Step) -> str:
    lines = [f"  {number}. {step.interface}: {step.what} (about {step.minutes:.0f} min)"]
    return "\n".join(lines + [f"     ! {caution}" for caution in step.cautions])


def document(visit: ChainVisit, found: Isolation) -> dict[str, Any]:
    """The answer as one JSON document; values SI, loads in kg."""
    named = found.named
    return {
        "chain": visit.chain.name,
        "answer": found.answer.value,
        "because": found.because,
        "block": named.block.value if named else None,
        "cell": None if named is None or named.cell is None else named.cell + 1,
        "probability": named.probability if named else None,
        "suspects": [
            {
                "block": s.block.value,
                "probability": s.probability,
                "cell": None if s.cell is None else s.cell + 1,
                "what": s.what,
            }
            for s in found.suspects
        ],
        "none": found.none,
        "unknown": found.unknown,
        "evidence": list(found.evidence),
        "comparisons": [_comparison(c) for c in found.comparisons],
        "next_steps": [
            {
                "interface": step.interface,
                "what": step.what,
                "decides": [block.value for block in step.decides],
                "minutes": step.minutes,
                "cautions": list(step.cautions),
            }
            for step in found.next_steps
        ],
        "population": {
            "weights": {block.value: part for block, part in found.population.weights.items()},
            "none": found.population.none,
            "unknown": found.population.unknown,
            "source": found.population.source,
        },
        "notes": list(told_notes(visit, found)),
        "cautions": list(CAUTIONS),
    }


def _comparison(c: Comparison) -> dict[str, Any]:
    return {
        "interface": c.interface,
        "what": c.what,
        "blocks": [block.value for block in c.blocks],
        "cell": None if c.cell is None else c.cell + 1,
        "measured": c.measured,
        "expected": c.expected,
        "allowed": c.allowed,
        "expanded_uncertainty": c.expanded,
        "unit": c.unit or "1",
        "outcome": c.outcome,
    }
