"""A finding: one result of a check, with its uncertainty, its limits and what follows from them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from acq.readings.budget import budget, expanded
from acq.readings.conformity import Conformity, Judgement, Limit, judge_deciding
from acq.readings.judgement import withheld as judged_withheld
from acq.readings.measured import Bound, Contribution, Expanded, Measured
from acq.readings.reading import Limitation

INFORMATION = "information"  # in place of a rule: the value is told, nothing is decided on it


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What the journal, the records and the certificate tell of one result. SI values."""

    name: str
    check: str
    quantity: str
    unit: str
    result: Expanded | None  # None: withheld
    limit_kind: Limitation | None = None
    limits: Sequence[Limit] = ()
    rule: str = INFORMATION
    judgement: Judgement
    budget: Sequence[Contribution] = ()
    indication_only: bool = False
    marks: Sequence[str] = field(default=())

    @property
    def conformity(self) -> Conformity:
        return self.judgement.conformity

    @property
    def informs(self) -> bool:
        """Whether it is told only, with nothing decided on it."""
        return self.rule == INFORMATION and self.conformity is not Conformity.WITHHELD

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON values; infinite degrees of freedom become null."""
        return {
            "name": self.name,
            "check": self.check,
            "quantity": self.quantity,
            "unit": self.unit,
            "value": self.result.value if self.result else None,
            "limit_kind": self.limit_kind,
            "expanded_uncertainty": self.result.U if self.result else None,
            "coverage_factor": self.result.k if self.result else None,
            "degrees_of_freedom": _finite(self.result.dof) if self.result else None,
            "probability": self.result.probability if self.result else None,
            "limits": [limit.to_json() for limit in self.limits],
            "rule": self.rule,
            "conformity": None if self.informs else self.conformity.value,
            "because": self.judgement.because,
            "specific_risk": self.judgement.specific_risk,
            "budget": [
                {
                    "name": line.name,
                    "standard_uncertainty": line.standard_uncertainty,
                    "degrees_of_freedom": _finite(line.dof),
                }
                for line in self.budget
            ],
            "indication_only": self.indication_only,
            "marks": list(self.marks),
        }


def judged(
    name: str,
    check: str,
    quantity: str,
    unit: str,
    measured: Measured,
    limits: Sequence[Limit],
    rule: str,
    share: float | None,
    *,
    indication_only: bool = False,
    marks: Sequence[str] = (),
) -> Finding:
    """Return the finding of a result against the limits; without any it only informs."""
    if limits:
        judgement = judge_deciding(measured, limits, rule, share)
    else:
        rule = INFORMATION
        judgement = Judgement(Conformity.PASS, "told without a limit", None)
    return Finding(
        name=name,
        check=check,
        quantity=quantity,
        unit=unit,
        result=expanded(measured),
        limit_kind=measured.kind if isinstance(measured, Bound) else None,
        limits=limits,
        rule=rule,
        judgement=judgement,
        budget=budget(measured),
        indication_only=indication_only,
        marks=marks,
    )


def withheld(name: str, check: str, quantity: str, unit: str, because: str) -> Finding:
    """Return the finding that is not given, with the reason."""
    return Finding(
        name=name,
        check=check,
        quantity=quantity,
        unit=unit,
        result=None,
        judgement=judged_withheld(because),
    )


def _finite(dof: float) -> float | None:
    return None if math.isinf(dof) else dof
