"""What is known of a bench beyond one run: what its check standard read, and whether it is closed.

A run asks and tells through this; the records keep it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol


@dataclass(frozen=True, slots=True)
class EarlierValue:
    """One finding of an earlier run on the same bench, SI."""

    run: str
    value: float

    def as_json(self) -> dict[str, Any]:
        return {"run": self.run, "value": self.value}


class BenchBook(Protocol):
    """The book of one bench. Raises BenchFailure when it cannot be had."""

    def earlier(
        self, serial: str, sequence: str, finding: str, most: int
    ) -> Sequence[EarlierValue]:
        """Return what this finding was before, oldest first, at most so many.

        Failed ones and those before the bench was last started anew are left out.
        """

    def close(self, because: str, run: str) -> None:
        """Close the bench for certificates; harmless when it is closed."""

    def closed_because(self) -> str:
        """Return why the bench is closed, with when; empty while it is open."""
