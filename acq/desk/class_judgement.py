"""Figures in verification intervals judged against the limits of a class."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from acq.analysis.oiml_r60 import SYSTEM_SHARE, truncated
from acq.analysis.oiml_r60_results import Limited
from acq.analysis.propagation import Result
from acq.desk.exit_codes import ExitCode, worst
from acq.desk.tables import Table
from acq.readings.conformity import Conformity, Judgement, Limit, judge, withheld
from acq.readings.measured import Expanded

NO_UNCERTAINTY = "no uncertainty is stated and one run tells none"


@dataclass(frozen=True, slots=True)
class Judged:
    """A limited figure with the statement about it."""

    limited: Limited
    limit: Limit
    judgement: Judgement

    @classmethod
    def of(cls, limited: Limited, rule: str, why_withheld: str = "") -> Judged:
        """Judge by a named rule; U may have a third of the limit where the value is near it."""
        one_sided = limited.result.name.startswith("repeatability")
        lower = None if one_sided else -limited.limit_v
        limit = Limit(lower, limited.limit_v, "v", limited.source)
        if why_withheld:
            return cls(limited, limit, withheld(why_withheld))
        expanded = _expanded(limited.result)
        if expanded is None:
            return cls(limited, limit, withheld(NO_UNCERTAINTY))
        return cls(limited, limit, judge(expanded, limit, rule, SYSTEM_SHARE))


def _expanded(result: Result) -> Expanded | None:
    stated = result.uncertainty
    if stated is None:
        return None
    k, dof = stated.coverage_factor, stated.degrees_of_freedom
    return Expanded(result.value, stated.expanded, k, dof, stated.probability)


def exit_code(judged: Sequence[Judged]) -> ExitCode:
    """Return the code of the worst statement."""
    return worst(_code(each.judgement.conformity) for each in judged)


def _code(conformity: Conformity) -> ExitCode:
    if conformity.rejected:
        return ExitCode.FAILED
    return ExitCode.DONE if conformity.accepted else ExitCode.UNDECIDED


_ORDER = (
    Conformity.FAIL,
    Conformity.CONDITIONAL_FAIL,
    Conformity.UNDECIDED,
    Conformity.WITHHELD,
    Conformity.CONDITIONAL_PASS,
    Conformity.PASS,
)


def overall(judged: Sequence[Judged]) -> Conformity:
    """Return the worst of several statements; withheld when there are none."""
    found = {each.judgement.conformity for each in judged}
    return next((word for word in _ORDER if word in found), Conformity.WITHHELD)


def to_json(judged: Judged, rule: str) -> dict[str, Any]:
    """Return a figure as findings are written."""
    limited = judged.limited
    return limited.result.to_json() | {
        "load": limited.load,
        "direction": limited.direction.value if limited.direction else None,
        "limits": [judged.limit.to_json()],
        "rule": rule,
        "conformity": judged.judgement.conformity.value,
        "because": judged.judgement.because,
        "specific_risk": judged.judgement.specific_risk,
        "system_uncertainty": limited.system_uncertainty,
        "capable": limited.capable,
    }


def judged_table(title: str, judged: Sequence[Judged], where: Callable[[Limited], str]) -> Table:
    """Return figures with their limits; values in v are cut to two decimals (R 60-3, 2.3.2)."""
    columns = ("figure", "at", "value, v", "U, v", "limit, v", "bench U < 1/3", "statement")
    return Table(title, columns, tuple(_row(each, where) for each in judged))


def _row(judged: Judged, where: Callable[[Limited], str]) -> tuple[str, ...]:
    limited = judged.limited
    expanded = limited.result.expanded
    capable = {None: "", True: "yes", False: "no"}[limited.capable]
    return (
        limited.result.name,
        where(limited),
        f"{truncated(limited.result.value):+.2f}",
        "not stated" if expanded is None else f"{expanded:.3f}",
        f"{limited.limit_v:.4g}",
        capable,
        judged.judgement.conformity.value,
    )
