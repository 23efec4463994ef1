"""What a visit says: the error at each interface against its tolerance, and the block at fault."""

from __future__ import annotations

import math
from collections.abc import Sequence

from acq.analysis.chain import SPAN
from acq.analysis.chain_evidence import Comparison, compare
from acq.analysis.chain_isolation import CONFIDENT, Answer, Isolation, isolate, prepared
from acq.analysis.chain_papers import Chain, Row
from acq.desk import chain_report
from acq.readings.conformity import Conformity, Judgement, Limit
from acq.readings.measured import Expanded, Uncertain
from acq.runs.check import Check
from acq.runs.findings import Finding
from sequences.weighing_chain_work import Work, refuse


def errors(work: Work, rows: Sequence[Row], round_: str, marks: Sequence[str] = ()) -> None:
    """One finding for each comparison: the error in % of span, against what is allowed there."""
    with work.run.check("errors", round_) as check:
        if not rows:
            refuse(check, "nothing was read")
            return
        readings = prepared(work.chain, work.readings(rows))
        for comparison in compare(work.chain, readings):
            _error(work, check, comparison, round_, marks)


def _error(work: Work, check: Check, found: Comparison, round_: str, marks: Sequence[str]) -> None:
    span = _span(work.chain, found)
    percent = 100.0 / span
    error = _with_influences(work, found)
    allowed = found.allowed * percent
    plan = work.plan
    check.finding(
        f"{round_}: {found.interface} {found.what}",
        "error",
        "%",
        error * percent,
        [Limit(-allowed, allowed, "%", _source(work.chain, found))],
        rule=plan.rule,
        share=plan.largest_uncertainty_share,
        marks=[*marks, found.sentence().rsplit(": ", 1)[0].split(": ", 2)[-1], *_load(work, found)],
    )


def _load(work: Work, found: Comparison) -> list[str]:
    """The error as a load, where it is one of the span in another unit."""
    spans = {"V/V": work.chain.span_ratio, "A": SPAN}
    span = spans.get(found.unit)
    if span is None:
        return []
    return [f"that is {found.off / span * work.chain.span_shown:+.2f} kg"]


def _with_influences(work: Work, found: Comparison) -> Uncertain:
    """The error with a line of its budget for each influence; one line where none is known."""
    if found.difference is not None:
        return found.difference
    name = f"instruments at {found.interface}, k = 1"
    error: Uncertain = work.run.uncertainties.fresh(name, found.expanded / 2.0) + found.off
    return error


def _span(chain: Chain, found: Comparison) -> float:
    """What an error is a percentage of: the span in its unit, else the expected value."""
    spans = {"V/V": abs(chain.span_ratio), "A": SPAN, "kg": abs(chain.span_shown), "": 1.0}
    return spans.get(found.unit) or abs(found.expected) or 1.0


def _source(chain: Chain, found: Comparison) -> str:
    told = [getattr(chain.tolerances, name).source for name in found.by]
    return "; ".join(dict.fromkeys(told))


def isolation(work: Work, marks: Sequence[str] = ()) -> None:
    """Which block is at fault by what was read as found, its evidence and the next step."""
    with work.run.check("isolation") as check:
        if not work.rows:
            check.withhold("nothing was read")
            check.add(_finding("nothing was read", Conformity.WITHHELD, marks))
            return
        found = isolate(work.chain, work.readings(work.rows), work.visit.population)
        document = chain_report.document(work.visit, found)
        check.keep("isolation", work.chain.name, document)
        steps = [f"next: {step.interface}: {step.what}" for step in found.next_steps]
        told = [f"{found.answer.value}", *found.evidence[:3], *steps[:2], *marks]
        check.add(_finding(found.because, _conformity(found), told, _probability(found)))


def _conformity(found: Isolation) -> Conformity:
    if found.answer is Answer.BLOCK:
        return Conformity.FAIL
    return Conformity.PASS if found.answer is Answer.NONE_FOUND else Conformity.WITHHELD


def _probability(found: Isolation) -> Expanded | None:
    """Of the block that is named, or of every block being sound; None when not decided."""
    if found.named is not None:
        return Expanded(found.named.probability, 0.0, 2.0, math.inf)
    return Expanded(found.none, 0.0, 2.0, math.inf) if found.answer is Answer.NONE_FOUND else None


def _finding(
    because: str, conformity: Conformity, marks: Sequence[str], result: Expanded | None = None
) -> Finding:
    return Finding(
        name="block at fault",
        check="isolation",
        quantity="probability",
        unit="",
        result=result,
        rule=f"named from probability {CONFIDENT:g} on",
        judgement=Judgement(conformity, because, None),
        marks=tuple(marks),
    )
