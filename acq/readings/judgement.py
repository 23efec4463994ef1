"""The statement about one result: its word, its reason in one sentence, its risk."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Conformity(StrEnum):
    """ILAC-G8's four statements and two of ours."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    UNDECIDED = "undecided"  # within the limit +-U, and U above the plan's share
    WITHHELD = "withheld"  # a precondition was not met: not soaked, not stable, gate closed

    @property
    def accepted(self) -> bool:
        """Tell whether the item counts as conforming."""
        return self in (Conformity.PASS, Conformity.CONDITIONAL_PASS)

    @property
    def rejected(self) -> bool:
        """Tell whether the item counts as not conforming."""
        return self in (Conformity.FAIL, Conformity.CONDITIONAL_FAIL)


@dataclass(frozen=True, slots=True)
class Judgement:
    """`specific_risk` is the probability that the statement is wrong (JCGM 106 3.3.13, 3.3.14).

    None where nothing is stated. `dominating` names the largest contribution to U.
    """

    conformity: Conformity
    because: str
    specific_risk: float | None
    dominating: str = ""


def withheld(because: str) -> Judgement:
    """Return the statement that is not made, with its reason."""
    return Judgement(Conformity.WITHHELD, because, None)
