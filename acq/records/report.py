"""What a verification looked at, and what it found broken."""

from __future__ import annotations

from dataclasses import dataclass, field

from acq.runs.journal import NOTHING_BEFORE


@dataclass(frozen=True, slots=True)
class Problem:
    """One broken record: which, and what is wrong with it."""

    where: str
    what: str


@dataclass(slots=True)
class Report:
    """What was looked at and what was found broken."""

    entries: int = 0
    runs: int = 0
    lines: int = 0
    documents: int = 0
    head: str = NOTHING_BEFORE
    links: frozenset[str] = frozenset()
    kept: frozenset[str] = frozenset()  # digests of the documents
    problems: list[Problem] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        return not self.problems

    def broken(self, where: str, what: str) -> None:
        self.problems.append(Problem(where, what))

    def lacks(self, head: str) -> None:
        """Note that a head which was printed elsewhere is not here."""
        self.broken(
            "ledger",
            f"has no entry with the head {head}: its end was cut off, or the head comes from "
            "other records",
        )
