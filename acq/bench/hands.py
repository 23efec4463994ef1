"""What a bench needs of a person: clips where no relay is, and instruments without a link.

The bench says what shall be done; who is asked, and where it is kept, is the run's affair.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from acq.bench.connections import Join

Knob = float | str | bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HandTask:
    """One thing to do at an instrument without a link.

    With `quantity` a reading is typed. Otherwise it is done and said: `settings` are the knobs,
    `switch` is the output (or the test) to be switched on or off.
    """

    role: str
    text: str
    caution: str = ""
    quantity: str = ""
    extreme: str = ""  # lowest or highest of what the display showed within `seconds`
    seconds: float = 0.0
    settings: Mapping[str, Knob] = field(default_factory=dict)
    switch: bool | None = None


class Hands(Protocol):
    """A person at the bench. Everything raises Stopped when the person wants to stop."""

    def clear(self, terminals: Sequence[str]) -> None:
        """Take every clip of these terminals off the leads."""

    def clip(
        self,
        off: frozenset[Join],
        on: frozenset[Join],
        live_volts: float | None = None,
        seen: Callable[[], bool] | None = None,
    ) -> None:
        """Take clips off, then put clips on; `live_volts` are on the leads meanwhile.

        `seen` tells, asked again and again, that an instrument saw it done.
        """

    def do(self, task: HandTask) -> str:
        """Have a task done; return what was typed."""
