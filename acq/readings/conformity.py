"""Does a result conform? Named rules, the edges defined, the reason in one sentence with numbers.

With d, the distance inside the nearer limit, and the guard band w = r U (ILAC-G8:09/2019 4.2):

    simple acceptance    pass d >= 0, else fail
    guarded acceptance   pass d >= w, else fail
    guarded rejection    pass d >= -w, else fail
    four statements      pass d >= w, conditional pass d >= 0, conditional fail d >= -w, else fail
    normalised error     pass |E_n| <= 1, else fail (E_n with both expanded uncertainties)

A value exactly on an edge gets the better of the two statements; the guide leaves that open.
"Exactly" forgives the rounding of floats, 1e-12 of the largest number in the comparison.
*Undecided* stands before all of them where -U <= d < U (the value is within the limit +-U) and U
is above the plan's share of the tolerance: there the bench cannot tell. Beyond limit + U the
rule's own fail stands whatever U is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from acq.readings.budget import budget, expanded
from acq.readings.judgement import Conformity, Judgement, withheld
from acq.readings.measured import Bound, Expanded, Measured
from acq.readings.risk import conformance_probability, normal_or_t
from acq.readings.rules import Limit, Rule, RuleName
from acq.readings.units import format_bound, format_result, format_value

__all__ = [
    "Conformity",
    "Judgement",
    "Limit",
    "Rule",
    "RuleName",
    "judge",
    "judge_deciding",
    "normalised_error",
    "withheld",
]

ROUNDING = 1e-12
SHARE = 1.0 / 3.0  # of the tolerance, as JCGM 106:2012 8.2.3 asks of U for simple acceptance


def judge(
    measured: Measured | Expanded,
    limit: Limit,
    rule: Rule | str,
    share: float | None = SHARE,
    probability: float = 0.95,
) -> Judgement:
    """Return the statement about one result against one limit.

    `share` is the largest part of the tolerance (`Limit.tolerance`) that U may have for a value
    near a limit to be decided; None never leaves undecided for that reason.
    Raises WrongInput for an unknown rule, ValueError for a normalised error without reference.
    """
    chosen = Rule.named(rule) if isinstance(rule, str) else rule
    if isinstance(measured, Bound):
        return _judge_bound(measured, limit, chosen, share, probability)
    if isinstance(measured, Expanded):
        return _judge_number(measured, limit, chosen, share, "")
    lines = budget(measured)
    largest = lines[0].name if lines else ""
    return _judge_number(expanded(measured, probability), limit, chosen, share, largest)


def judge_deciding(
    measured: Measured | Expanded,
    limits: Sequence[Limit],
    rule: Rule | str,
    share: float | None = SHARE,
) -> Judgement:
    """Judge against the one limit that the plan lets decide; ValueError unless there is one."""
    deciding = [limit for limit in limits if limit.decides]
    if len(deciding) != 1:
        raise ValueError(f"exactly one limit decides, got {len(deciding)} of {len(limits)}")
    return judge(measured, deciding[0], rule, share)


def normalised_error(value: float, U: float, reference: float, reference_U: float) -> float:
    """Return E_n = (x - X) / sqrt(U_x^2 + U_X^2) (ISO 13528, E_n score)."""
    spread = math.hypot(U, reference_U)
    if not spread:
        return 0.0 if value == reference else math.copysign(math.inf, value - reference)
    return (value - reference) / spread


# a number with its uncertainty


def _judge_number(
    result: Expanded, limit: Limit, rule: Rule, share: float | None, largest: str
) -> Judgement:
    d = _margin(result.value, limit, result.U, rule.guard_band(result.U))
    if _cannot_tell(d, result.U, limit, share):
        return _undecided(result, limit, share or 0.0, largest)
    if rule.name is RuleName.NORMALISED_ERROR:
        return _by_normalised_error(result, limit, largest)
    word = _statement(d, rule.guard_band(result.U), rule.name)
    conforming = conformance_probability(result, limit)
    risk = 1.0 - conforming if word.accepted else conforming
    because = f"{_text(result, limit)}: {_margin_text(d, rule.guard_band(result.U), limit.unit)}"
    return Judgement(word, because, min(1.0, max(0.0, risk)), largest)


def _margin(value: float, limit: Limit, U: float, w: float) -> float:
    """Return the distance inside the limit, set onto an edge that rounding alone keeps it off."""
    d = limit.margin(value)
    if math.isinf(d):
        return d
    slack = ROUNDING * max(abs(value), abs(value - d), U)
    return next((edge for edge in (0.0, U, -U, w, -w) if abs(d - edge) <= slack), d)


def _cannot_tell(d: float, U: float, limit: Limit, share: float | None) -> bool:
    if share is None or not (-U <= d < U):
        return False
    return share * limit.tolerance < U


def _statement(d: float, w: float, name: RuleName) -> Conformity:
    """Return the word of a rule for a distance inside the limit and a guard band."""
    match name:
        case RuleName.SIMPLE_ACCEPTANCE:
            return Conformity.PASS if d >= 0.0 else Conformity.FAIL
        case RuleName.GUARDED_ACCEPTANCE:
            return Conformity.PASS if d >= w else Conformity.FAIL
        case RuleName.GUARDED_REJECTION:
            return Conformity.PASS if d >= -w else Conformity.FAIL
    if d >= 0.0:
        return Conformity.PASS if d >= w else Conformity.CONDITIONAL_PASS
    return Conformity.CONDITIONAL_FAIL if d >= -w else Conformity.FAIL


def _by_normalised_error(result: Expanded, limit: Limit, largest: str) -> Judgement:
    if limit.reference is None or limit.reference_uncertainty is None:
        raise ValueError(f"{limit.source}: a normalised error needs a reference and its U")
    reference, U = limit.reference, limit.reference_uncertainty
    error = normalised_error(result.value, result.U, reference, U)
    word = Conformity.PASS if abs(error) <= 1.0 else Conformity.FAIL
    because = (
        f"{format_result(result.value, limit.unit, result.U)} against "
        f"{format_result(reference, limit.unit, U)} ({limit.source}): E_n = {error:.2f}"
    )
    return Judgement(word, because, None, largest)


def _undecided(result: Expanded, limit: Limit, share: float, largest: str) -> Judgement:
    because = (
        f"{_text(result, limit)}: a limit lies within ±U, and U is more than "
        f"{100.0 * share:.3g} % of the tolerance {format_value(limit.tolerance, limit.unit)}"
    )
    if largest:
        because += f"; most of it is {largest}"
    return Judgement(Conformity.UNDECIDED, because, None, largest)


def _text(result: Expanded, limit: Limit) -> str:
    if not result.U:
        return f"{format_value(result.value, limit.unit)} against {limit}"
    return f"{format_result(result.value, limit.unit, result.U)} against {limit}"


def _margin_text(d: float, w: float, unit: str) -> str:
    if math.isinf(d):
        return "no limit on this side"
    where = f"{format_value(abs(d), unit)} {'inside' if d >= 0.0 else 'outside'}"
    return f"{where}, guard band {format_value(w, unit, w)}" if w else where


# a bound


def _judge_bound(
    bound: Bound, limit: Limit, rule: Rule, share: float | None, probability: float
) -> Judgement:
    """Judge ">v" or "<v": what is true of every value beyond the bound may be stated."""
    U = expanded(bound, probability).U
    text = f"{format_bound(bound.value, bound.kind, limit.unit)} against {limit}"
    near, far = (limit.lower, limit.upper) if bound.kind == "above" else (limit.upper, limit.lower)
    # the limit that the values beyond the bound run into, else the one that they run away from
    edge = near if far is None else far
    word, d = Conformity.UNDECIDED, 0.0
    if edge is not None:
        outward = bound.value - edge if bound.kind == "above" else edge - bound.value
        d = outward if far is None else -outward
        word = _proven(d, U, limit, rule, share)
    if not (word.accepted if far is None else word.rejected):
        because = f"{text}: the reading proves neither side"
        return Judgement(Conformity.UNDECIDED, because, None, bound.dominating)
    margin = _margin_text(d, rule.guard_band(U), limit.unit)
    wrong = -d if far is None else d
    risk = normal_or_t(wrong / bound.u, math.inf) if bound.u else 0.0
    return Judgement(word, f"{text}: {margin} at least", risk, bound.dominating)


def _proven(d: float, U: float, limit: Limit, rule: Rule, share: float | None) -> Conformity:
    """Return the word for the bound itself; what lies beyond it gets the same or a surer one."""
    # two laboratories are compared by numbers; a bound has no E_n
    if rule.name is RuleName.NORMALISED_ERROR or _cannot_tell(d, U, limit, share):
        return Conformity.UNDECIDED
    return _statement(d, rule.guard_band(U), rule.name)
