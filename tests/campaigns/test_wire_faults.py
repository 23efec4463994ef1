"""The short form of the wire-fault campaign: a drawn share of every dialect on every link."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.dialect import shipped_names
from tests.campaigns.wire_fault_cases import LINKS, Case, cases_of, run_case
from tests.campaigns.wire_faults import drawn

PER_LINK = 12


@pytest.mark.parametrize(
    ("dialect", "link"), list(itertools.product(shipped_names(), LINKS)), ids="-".join
)
def test_a_wire_fault_ends_in_the_right_value_or_in_an_error(dialect: str, link: str) -> None:
    for case in drawn(cases_of(dialect, link), PER_LINK):
        outcome = run_case(case)
        assert not outcome.wrong, (case, outcome.wrong)
        assert not outcome.left_on, case
        assert outcome.right or outcome.errors, case


@pytest.mark.parametrize("dialect", ["scpi-dmm", "scpi-supply-list", "line-insulation-request"])
def test_so_it_does_over_a_vendors_visa_library(dialect: str, vendor_library: Path) -> None:
    """Serial only: over TCP the stepped clock must know the port, which such a library hides."""
    for case in drawn(cases_of(dialect, "serial"), 4):
        outcome = run_case(replace(case, library=str(vendor_library)))
        assert not outcome.wrong, (case, outcome.wrong)
        assert not outcome.left_on, case
        assert outcome.right or outcome.errors, case


def test_the_same_case_comes_to_the_same_end() -> None:
    case = drawn(cases_of("scpi-supply", "tcp"), 1)[0]
    first, second = run_case(case), run_case(case)
    assert (first.right, first.replies) == (second.right, second.replies)
    assert len(first.errors) == len(second.errors)


def test_without_a_fault_everything_is_right() -> None:
    for dialect, link in itertools.product(shipped_names(), LINKS):
        outcome = run_case(Case(dialect, link, None))
        assert outcome.right >= 3
        assert not outcome.errors
        assert not outcome.wrong
