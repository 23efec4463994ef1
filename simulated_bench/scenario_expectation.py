"""The `[expectation]` table of a scenario: what a careful procedure should find there.

The words are those of the program that is tested; this package shares no code with it, so they
stand here once more and a test compares them.
"""

from __future__ import annotations

from importlib.metadata import entry_points
from typing import Literal

from pydantic import field_validator

from simulated_bench.written import Written

SEQUENCES = (
    "acceptance",
    "check-standard",
    "creep",
    "live",
    "load-series",
    "log",
    "lot",
    "off-centre",
    "weighing-chain",
)
CHECK_STANDARD = "K-000001"
"""A resistor box whose papers are among the examples."""
FaultWord = Literal[
    "open-lead",
    "open-sense-lead",
    "lead-short",
    "open-arm",
    "shorted-arm",
    "arm-changed",
    "damaged-cable",
    "moisture-in-cell",
    "moisture-in-cable",
    "shield-to-housing",
    "plastic-set",
    "side-load-set",
    "fatigue-crack",
    "bond-failure",
    "swapped-leads",
    "compensation-failed",
    "zero-compensation-failed",
    "loose-joint",
    "not-soaked",
    "thermal-emf",
    "wrong-cable-length",
    "wrong-papers",
    "built-in-electronics",
    "none-found",
    "unknown",
]
Statement = Literal[
    "", "pass", "conditional pass", "conditional fail", "fail", "undecided", "withheld"
]
Block = Literal[
    "",
    "mechanics",
    "cell",
    "junction box",
    "home-run cable",
    "transmitter",
    "loop",
    "control system",
]
Code = Literal[0, 1, 2, 3, 4, 5, 130]


class Expectation(Written):
    """What a careful procedure should find; read by whoever checks it, not by the bench."""

    sequence: str = "acceptance"
    plan: str = ""  # the sequence's own unless said
    cell: str = ""  # its serial, or the chain's name
    exit_code: Code | None = None
    conformity: Statement = ""
    faults: tuple[FaultWord, ...] = ()
    where: tuple[str, ...] = ()
    block: Block | None = None  # of a weighing chain; empty: none is at fault
    note: str = ""

    @field_validator("sequence")
    @classmethod
    def _known(cls, sequence: str) -> str:
        if sequence in SEQUENCES or sequence.endswith(".py"):
            return sequence
        if sequence not in (point.name for point in entry_points(group="bridgebench.sequences")):
            known = ", ".join(SEQUENCES)
            raise ValueError(f"no sequence {sequence!r}; there are {known}, or a file (.py)")
        return sequence
