"""Why is the uncertainty of a finding what it is, and what would halve it?

Works on the budget that a finding keeps, so that nothing has to be measured or computed again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from acq.readings.budget import coverage_factor
from acq.readings.measured import Contribution
from acq.readings.units import format_result, format_value

BISECTIONS = 40
FEWEST = 0.05  # more than 400 times as many readings is no advice
NOTHING = 1e-6  # a factor below that is no advice: the part must go

# what a contribution's name says it is -> what a person can do about it
REMEDIES: tuple[tuple[str, str], ...] = (
    ("scatter", "more readings, a longer integration time, or quieter leads"),
    ("noise", "more readings or a longer integration time"),
    ("offset", "reverse the polarity or subtract a zero reading, so that it cancels"),
    ("gain", "compare within one range, where it cancels, or use a better calibrated instrument"),
    ("linearity", "a range that the value fills better, or a meter with a better linearity"),
    ("temperature", "bring the bench back into the instrument's temperature range"),
    ("last digit", "an instrument or a range with one more digit"),
    ("weights", "weights of a better class, or calibrated values in place of nominal ones"),
    ("drift", "read in a shorter time, or bracket more often"),
)


@dataclass(frozen=True, slots=True)
class Part:
    """One contribution; `share` of the variance, `remedy` what a person can do about it."""

    name: str
    standard_uncertainty: float
    dof: float
    share: float
    remedy: str


@dataclass(frozen=True, slots=True)
class Why:
    """The parts, largest first; `halving` names what must shrink and by how much."""

    u: float
    parts: tuple[Part, ...]
    halving: tuple[str, ...]
    factor: float
    remark: str = ""


def why(finding: Mapping[str, Any]) -> Why:
    """Explain a finding's stored budget. Raises ValueError when it has none."""
    lines = [
        Contribution(
            str(line["name"]),
            float(line["standard_uncertainty"]),
            math.inf if line["degrees_of_freedom"] is None else float(line["degrees_of_freedom"]),
        )
        for line in finding["budget"]
    ]
    if not lines:
        raise ValueError(f"{finding['name']}: keeps no budget")
    u = math.sqrt(math.fsum(line.standard_uncertainty**2 for line in lines))
    parts = tuple(_part(line, u) for line in sorted(lines, key=_size))
    names, factor = _halving(parts, float(finding["probability"]))
    return Why(u, parts, names, factor, _remark(finding, u))


def why_text(finding: Mapping[str, Any]) -> Iterator[str]:
    """Yield the explanation as lines for a terminal; ValueError when there is no budget."""
    explained = why(finding)
    unit = str(finding["unit"])
    value, U = finding["value"], finding["expanded_uncertainty"]
    yield (
        f"{finding['name']}: {format_result(value, unit, U)} "
        f"(k = {finding['coverage_factor']:.3g}, {100.0 * finding['probability']:.4g} %)"
    )
    width = max(len(part.name) for part in explained.parts)
    for part in explained.parts:
        size = format_value(part.standard_uncertainty, unit, part.standard_uncertainty)
        dof = "" if math.isinf(part.dof) else f"  {part.dof:.3g} degrees of freedom"
        yield f"  {part.name:<{width}}  {size:>16}  {100.0 * part.share:5.1f} %{dof}"
    if explained.remark:
        yield f"  {explained.remark}"
    yield from _advice(explained)
    usual = coverage_factor(math.inf, float(finding["probability"]))
    if finding["coverage_factor"] > 1.1 * usual:
        yield (
            f"k is {finding['coverage_factor']:.3g} instead of {usual:.3g}: "
            "more readings give more degrees of freedom"
        )


def _advice(explained: Why) -> Iterator[str]:
    which = " and ".join(explained.halving)
    if explained.factor > 0.0:
        verb = "shrinks" if len(explained.halving) == 1 else "shrink"
        yield f"U halves when {which} {verb} to {100.0 * explained.factor:.2g} %"
    else:
        verb = "vanishes" if len(explained.halving) == 1 else "vanish"
        yield f"U halves when {which} {verb}"
    for part in explained.parts:
        if part.name in explained.halving and part.remedy:
            yield f"  {part.name}: {part.remedy}{_how_many(part, explained.factor)}"


def _how_many(part: Part, factor: float) -> str:
    """Tell how many more readings that takes, where readings help: scatter falls as 1/sqrt(n)."""
    if factor < FEWEST or not part.name.partition(",")[0].endswith(("scatter", "noise")):
        return ""
    return f"; of readings alone {math.ceil(factor**-2.0 - 0.05)} times as many"


def _part(line: Contribution, u: float) -> Part:
    share = (line.standard_uncertainty / u) ** 2 if u else 0.0
    name = line.name.partition("(")[0]
    remedy = next((text for word, text in REMEDIES if word in name), "")
    return Part(line.name, line.standard_uncertainty, line.dof, share, remedy)


def _size(line: Contribution) -> tuple[float, str]:
    return -line.standard_uncertainty, line.name


def _halving(parts: Sequence[Part], probability: float) -> tuple[tuple[str, ...], float]:
    """Return the fewest of the largest parts whose shrinking halves U, and to what factor.

    U is computed anew for every factor: where few degrees of freedom are left, k grows.
    """
    goal = _expanded(parts, 0, 1.0, probability) / 2.0 * (1.0 + 1e-12)
    for count in range(1, len(parts) + 1):
        if _expanded(parts, count, 0.0, probability) <= goal:
            return tuple(part.name for part in parts[:count]), _factor(
                parts, count, goal, probability
            )
    return tuple(part.name for part in parts), 0.0


def _factor(parts: Sequence[Part], count: int, goal: float, probability: float) -> float:
    """Return how large the first parts may stay for U to be within the goal, by bisection."""
    low, high = 0.0, 1.0
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        if _expanded(parts, count, middle, probability) <= goal:
            low = middle
        else:
            high = middle
    return low if low > NOTHING else 0.0


def _expanded(parts: Sequence[Part], count: int, factor: float, probability: float) -> float:
    """Return U with the first parts shrunk to a factor, by Welch and Satterthwaite (GUM G.4.1)."""
    sizes = [
        (part.standard_uncertainty * (factor if place < count else 1.0), part.dof)
        for place, part in enumerate(parts)
    ]
    variance = math.fsum(u * u for u, _ in sizes)
    spread = math.fsum(u**4 / dof for u, dof in sizes if not math.isinf(dof))
    dof = variance**2 / spread if spread else math.inf
    dof = math.inf if dof > 1e6 else dof  # as `budget.expanded`
    return coverage_factor(dof, probability) * math.sqrt(variance)


def _remark(finding: Mapping[str, Any], u: float) -> str:
    """Say so when contributions are correlated: then their squares are not the whole."""
    U, k = finding["expanded_uncertainty"], finding["coverage_factor"]
    if not U or not k or math.isclose(U / k, u, rel_tol=1e-6):
        return ""
    return f"contributions are correlated: together {U / k:.3g}, their squares alone {u:.3g}"
