"""Judging a finding by its plan, or withholding it where the cell was not fit to be judged."""

from __future__ import annotations

from collections.abc import Sequence

from acq.readings.measured import Measured
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.findings import Finding, withheld
from sequences.acceptance_plan import Judged
from sequences.diagnosis import Seen


def judge(
    check: Check,
    seen: Seen,
    plan: Judged,
    name: str,
    quantity: str,
    unit: str,
    measured: Measured,
    limits: Sequence[Limit] = (),
    *,
    because: str = "",
    marks: Sequence[str] = (),
) -> Finding:
    """Keep a finding; withheld for `because`, or while the cell is not soaked."""
    name = seen.named(name)
    # a joint that jumps does not touch insulation; a cold cell's condensation does
    fit = quantity == "insulation resistance" and not seen.unsoaked
    reason = because or ("" if fit else seen.unsteady)
    if reason:
        return check.add(withheld(name, check.name, quantity, unit, reason))
    return check.finding(
        name,
        quantity,
        unit,
        measured,
        limits,
        rule=plan.rule,
        share=plan.largest_uncertainty_share,
        marks=marks,
    )
