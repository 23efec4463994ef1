"""What makes an uncertainty, and what would halve it."""

from __future__ import annotations

import math
from typing import Any

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.readings.budget import expanded
from acq.readings.why import why, why_text


def finding(*sizes: tuple[str, float, float | None], k: float = 2.0) -> dict[str, Any]:
    u = math.sqrt(sum(size**2 for _, size, _ in sizes))
    return {
        "name": "rated output",
        "unit": "V/V",
        "value": 2.0e-3,
        "expanded_uncertainty": k * u,
        "coverage_factor": k,
        "probability": 0.95,
        "budget": [
            {"name": name, "standard_uncertainty": size, "degrees_of_freedom": dof}
            for name, size, dof in sizes
        ],
    }


def test_contributions_come_largest_first_with_their_share() -> None:
    explained = why(finding(("dmm scatter", 3e-8, 9.0), ("dmm gain", 4e-8, None)))
    assert [part.name for part in explained.parts] == ["dmm gain", "dmm scatter"]
    assert [part.share for part in explained.parts] == pytest.approx([0.64, 0.36])


def test_one_dominating_part_shrinks_alone() -> None:
    # u = 5; without the part of 4.9: sqrt(25 - 24.01) = 0.995; 2.5^2 - 0.99 = 5.26 = 2.29^2
    explained = why(finding(("gain", 4.9, None), ("noise", math.sqrt(0.99), None)))
    assert explained.halving == ("gain",)
    assert explained.factor == pytest.approx(math.sqrt(6.25 - 0.99) / 4.9)


@given(st.lists(st.floats(1e-3, 1.0), min_size=1, max_size=8))
def test_shrinking_what_is_named_by_what_is_named_halves_it(sizes: list[float]) -> None:
    explained = why(finding(*((f"part {i}", size, None) for i, size in enumerate(sizes))))
    changed = (
        part.standard_uncertainty * (explained.factor if part.name in explained.halving else 1.0)
        for part in explained.parts
    )
    assert math.sqrt(sum(u**2 for u in changed)) == pytest.approx(explained.u / 2.0)
    # and no smaller set of parts would do
    without_last = explained.parts[: len(explained.halving) - 1]
    assert sum(part.share for part in without_last) < 0.75


@given(
    st.lists(
        st.tuples(st.floats(1e-3, 1.0), st.one_of(st.none(), st.integers(1, 30))),
        min_size=1,
        max_size=6,
    )
)
def test_following_the_advice_halves_the_expanded_uncertainty(
    lines: list[tuple[float, int | None]],
) -> None:
    """The whole result is evaluated again by GTC with the change that is advised."""

    def evaluated(factors: dict[str, float]) -> float:
        result: Any = 0.0
        for place, (size, dof) in enumerate(lines):
            u = size * factors.get(f"part {place}", 1.0)
            if u:
                result = result + GTC.ureal(0.0, u, math.inf if dof is None else dof)
        return 0.0 if isinstance(result, float) else expanded(result).U

    explained = why(finding(*((f"part {i}", u, dof) for i, (u, dof) in enumerate(lines))))
    advised = dict.fromkeys(explained.halving, explained.factor)
    assert evaluated(advised) <= evaluated({}) / 2.0 * (1.0 + 1e-6)


def test_the_text_names_the_remedy_of_what_must_shrink() -> None:
    lines = list(
        why_text(
            finding(
                ("dmm offset, dc-voltage 100 mV range (range part taken as offset)", 9e-8, None),
                ("dmm scatter, dc-voltage 100 mV range", 2e-8, 4.0),
            )
        )
    )
    assert lines[0] == "rated output: 2.00000 mV/V ± 0.00018 mV/V (k = 2, 95 %)"
    assert "95.3 %" in lines[1]
    assert "4 degrees of freedom" in lines[2]
    assert lines[3].startswith("U halves when dmm offset")
    assert "reverse the polarity" in lines[4]
    assert len(lines) == 5


def test_few_degrees_of_freedom_are_named_where_they_widen_the_interval() -> None:
    few = finding(("dmm scatter", 1e-8, 3.0), k=3.182)
    assert "k is 3.18 instead of 1.96" in list(why_text(few))[-1]
    assert not any("instead of" in line for line in why_text(finding(("a", 1e-8, None))))


def test_correlated_contributions_are_said_to_be_so() -> None:
    correlated = finding(("a", 3.0, None), ("b", 4.0, None)) | {"expanded_uncertainty": 14.0}
    assert "together 7, their squares alone 5" in why(correlated).remark


def test_a_finding_without_budget_cannot_be_explained() -> None:
    with pytest.raises(ValueError, match="keeps no budget"):
        why(finding())
