"""What a person is asked during a run, and who answers.

A prompt carries its caution, shown where the hand is about to act. The first answer wins and is
journalled with who gave it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from acq.bench.connections import Join


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """One question. `choices` empty: free text; the first choice is what Return means."""

    text: str
    caution: str = ""
    choices: Sequence[str] = ("done",)
    clip_off: Sequence[Join] = ()
    clip_on: Sequence[Join] = ()
    display: str = ""  # role whose display is to be typed in

    def as_json(self) -> dict[str, Any]:
        """What the journal keeps of the question."""
        return {
            "text": self.text,
            "caution": self.caution,
            "choices": list(self.choices),
            "off": [[join.terminal, join.lead.value] for join in self.clip_off],
            "on": [[join.terminal, join.lead.value] for join in self.clip_on],
            "display": self.display,
        }


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered, and by whom."""

    text: str
    by: str


class Technician(Protocol):
    """Whoever answers prompts. Raises Stopped when the person wants to stop."""

    def answer(self, prompt: Prompt) -> Answer: ...


def clip_prompt(off: Sequence[Join], on: Sequence[Join], caution: str) -> Prompt:
    """The prompt for clips that no relay can reach."""
    parts = []
    if off:
        parts.append("Take off: " + "; ".join(f"{j.terminal} from {j.lead}" for j in off))
    if on:
        parts.append("Clip: " + "; ".join(f"{j.terminal} to {j.lead}" for j in on))
    return Prompt(
        text=". ".join(parts) + ".", caution=caution, clip_off=tuple(off), clip_on=tuple(on)
    )
