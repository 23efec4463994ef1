"""Those who answer prompts: a person at the terminal, or the simulated bench's automatic hands."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TextIO

from acq.bench.stepped_time import SteppedTime
from acq.errors import Stopped
from acq.runs.prompts import Answer, Prompt

_HAND_S = 4.0  # bench time that the automatic technician takes for one clip; common practice


class AutomaticTechnician:
    """Does at the simulated bench what the prompt asks, and answers with its first choice."""

    def __init__(self, time: SteppedTime) -> None:
        self._time = time

    def answer(self, prompt: Prompt) -> Answer:
        for join in prompt.clip_off:
            self._clip(join.terminal, None)
        for join in prompt.clip_on:
            self._clip(join.terminal, join.lead.value)
        if prompt.display:
            shown = self._time.hand("display", wire=prompt.display)
            return Answer(str(shown["text"]), "automatic technician")
        return Answer(prompt.choices[0] if prompt.choices else "", "automatic technician")

    def _clip(self, terminal: str, lead: str | None) -> None:
        self._time.hand("clip", terminal=terminal, lead=lead)
        self._time.wait(_HAND_S)


class TerminalTechnician:
    """A person at this terminal. `show` prints the prompt, so that the desk decides its look."""

    def __init__(
        self, show: Callable[[Prompt], None], person: str, source: TextIO | None = None
    ) -> None:
        self._show = show
        self._person = person
        self._source = source if source is not None else sys.stdin

    def answer(self, prompt: Prompt) -> Answer:
        """Raises Stopped when the input ends or `stop` is typed."""
        while True:
            self._show(prompt)
            line = self._source.readline()
            typed = line.strip()
            if not line or typed == "stop":
                raise Stopped("stopped at a prompt")
            if not prompt.choices:
                return Answer(typed, self._person)
            if chosen := _choice(typed, prompt):
                return Answer(chosen, self._person)


def _choice(typed: str, prompt: Prompt) -> str:
    """Return the choice that was typed or begun; Return is the first; empty when none fits."""
    if not typed:
        return prompt.choices[0]
    fitting = [choice for choice in prompt.choices if choice.startswith(typed.lower())]
    return fitting[0] if len(fitting) == 1 or typed in fitting else ""
