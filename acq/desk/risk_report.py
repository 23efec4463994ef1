"""The risks of one decision rule, and its operating curve, as one document or as lines."""

from __future__ import annotations

from collections.abc import Iterator

from acq.readings.population import CurvePoint, DecisionPlan, Risks
from acq.readings.units import format_value


def document(
    plan: DecisionPlan, found: Risks, curve: list[CurvePoint], seed: int
) -> dict[str, object]:
    """Return what a program reads."""
    return {
        "limit": plan.limit.to_json(),
        "rule": str(plan.rule),
        "expanded_uncertainty": plan.U,
        "coverage_factor": plan.k,
        "trials": found.trials,
        "seed": seed,
        "conforming": found.conforming,
        "consumers_risk": found.consumers,
        "producers_risk": found.producers,
        "undecided": found.undecided,
        "statements": found.words,
        "operating_curve": [
            {"true_value": point.true_value, "accepted": point.accepted, "statements": point.words}
            for point in curve
        ],
    }


def text(plan: DecisionPlan, found: Risks, curve: list[CurvePoint]) -> Iterator[str]:
    """Yield the lines for a terminal."""
    unit = plan.limit.unit
    yield (f"{plan.limit}, {plan.rule}, U {format_value(plan.U, unit, plan.U)}")
    for text, share in (
        ("conforming", found.conforming),
        ("accepted and not conforming (consumer's risk)", found.consumers),
        ("rejected and conforming (producer's risk)", found.producers),
        *((f"  stated: {word}", share) for word, share in found.words.items()),
    ):
        error = found.standard_error(share)
        yield (f"{text:<48} {100 * share:8.3f} %  (± {200 * error:.3f} %)")
    yield (f"\n{'true value':>16}  accepted")
    for point in curve:
        value = format_value(point.true_value, unit, plan.U / 10.0)
        yield f"{value:>16}  {100 * point.accepted:7.2f} %  {'#' * round(40 * point.accepted)}"
