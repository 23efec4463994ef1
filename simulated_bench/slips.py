"""Hands that make mistakes: where a scenario says so, or drawn, as often as it says."""

from __future__ import annotations

import re
from collections.abc import Sequence

from simulated_bench.noise import key, uniforms
from simulated_bench.scenario import HandsTable, MistakeTable

FACTORS = (0.5, 0.9, 1.1, 2.0)
"""What another weight makes of a load; common practice, no source."""

CHOICE = 1  # of the four numbers drawn for one act: 0 says whether it slips


class Slips:
    """What a person's hands do instead of what was asked. Each act is counted from 1."""

    def __init__(self, seed: int, hands: HandsTable, mistakes: Sequence[MistakeTable] = ()) -> None:
        self._seed = seed
        self._hands = hands
        self._clip_mistakes = {m.clip: m.lead for m in mistakes if m.clip is not None}
        self._load_mistakes = {m.load: m.kilograms for m in mistakes if m.load is not None}
        self._acts = {"clip": 0, "load": 0, "type": 0}

    def clip(self, lead: str, leads: Sequence[str]) -> str:
        """Return the lead on which a clip lands."""
        said = self._clip_mistakes.get(self._acts["clip"] + 1)
        drawn = self._drawn("clip", self._hands.wrong_clips)
        if said is not None or drawn is None:
            return said or lead
        others = [other for other in leads if other != lead]
        return others[int(drawn * len(others))]

    def load(self, kilograms: float) -> float | None:
        """Return what is hung instead, in kg; None where it is what was asked."""
        said = self._load_mistakes.get(self._acts["load"] + 1)
        drawn = self._drawn("load", self._hands.wrong_loads)
        if said is not None or drawn is None:
            return said
        return kilograms * FACTORS[int(drawn * len(FACTORS))]

    def typed(self, text: str) -> str:
        """Return what is typed by somebody who reads this: two digits may change places.

        The two differ, so that a slip is one; a text without such digits is typed as it is.
        """
        drawn = self._drawn("type", self._hands.misread)
        places = [at.start() for at in re.finditer(r"(?=(\d)(?!\1)\d)", text)]
        if drawn is None or not places:
            return text
        at = places[int(drawn * len(places))]
        return f"{text[:at]}{text[at + 1]}{text[at]}{text[at + 2 :]}"

    def _drawn(self, act: str, share: float) -> float | None:
        """Count an act; return a number from 0 to 1 where it slips."""
        self._acts[act] += 1
        numbers = uniforms(key(self._seed, f"hands {act}"), self._acts[act])
        return numbers[CHOICE] if numbers[0] < share else None
