"""A precision source or process calibrator: millivolts, milliamperes sourced or sunk."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from drivers.dialect_parts import SourceWords, Step
from drivers.instrument import Instrument
from drivers.template import Given
from drivers.values import Value


class Source(Instrument):
    """Sources one kind at a time, by the names of its dialect: `dc-voltage`, `dc-current`,
    `dc-current-sink` (a two-wire transmitter's place), `resistance`, `voltage-ratio`."""

    kinds: ClassVar[frozenset[str]] = frozenset({"source"})
    _kind: str | None = None

    def program(self, kind: str, value: float, limit: float | None = None) -> None:
        """Set what is sourced: `value` in V, A, ohm or V/V, `limit` in A for volts, V for amperes.

        The output is not switched; a change of kind needs the output off. Raises RefusedError for
        what this source cannot do, before anything is sent.
        """
        parts = self._parts(kind)
        if limit is not None and "limit" not in parts.names:
            raise self._talk.cannot(f"it has no limit for {kind}")
        if limit is None and "limit" in parts.names and not _optional(parts, "limit"):
            raise self._talk.cannot(f"{kind} needs a limit")
        given: dict[str, Given] = {"value": value}
        if limit is not None:
            given["limit"] = limit
        words = self._steps.words(given, parts.values)
        self._talk.make_sure()
        if self._kind not in (None, kind) and not self.is_off():
            raise self._talk.cannot(f"switch {self._kind} off before {kind} is set")
        self._steps.select()
        self._steps.run(parts.program, words)
        self._kind = kind

    def switch_on(self) -> None:
        """Switch the output on and prove it; `program` comes first."""
        self._switch(self._parts(self._programmed()).on, want_on=True)

    def switch_off(self) -> None:
        """Switch the output off and prove it."""
        self._switch(self._parts(self._programmed()).off, want_on=False)

    def is_off(self) -> bool:
        """Return whether the output is off; a source without a switch never is."""
        state = self._parts(self._programmed()).state
        return state is not None and not self._steps.is_on(state)

    def read(self, quantity: str) -> Value:
        """Return what the source itself measures or states of its output."""
        return self._read_back(quantity)

    def _parts(self, kind: str) -> SourceWords:
        parts = self._dialect.source.get(kind)
        if parts is None:
            can = ", ".join(sorted(self._dialect.source))
            raise self._talk.cannot(f"it is no source of {kind}; it is one of {can}")
        return parts

    def _programmed(self) -> str:
        if self._kind is None:
            raise self._talk.cannot("nothing is programmed yet")
        return self._kind

    def _forget(self) -> None:
        self._kind = None

    def _switch(self, steps: Sequence[Step], *, want_on: bool) -> None:
        state = self._parts(self._programmed()).state
        generation = self._talk.generation
        self._talk.make_sure()
        if generation != self._talk.generation:
            raise self._talk.cannot("the link was opened again: program it anew")
        self._steps.select()
        self._steps.run(steps, self._steps.words())
        if state is not None and self._steps.is_on(state) != want_on:
            raise self._talk.refused(f"the output is not {'on' if want_on else 'off'}")


def _optional(parts: SourceWords, name: str) -> bool:
    return all(step.when == name for step in parts.program if name in step.names())
