"""The `with` blocks of a run that are open now: established outermost first, left innermost first.

Nothing is touched before the first live effect inside them, so that a replay switches nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from acq.bench.bench import Bench
from acq.bench.connections import NOTHING, Connection, Polarity
from acq.errors import WrongInput
from acq.runs.states import Ask, Excited, OpenState, TestVoltage


class OpenStates:
    """What is kept up at the bench, in the order in which it was asked for."""

    def __init__(self, bench: Callable[[], Bench], note: Callable[[str, str], None]) -> None:
        """`bench` gives the opened bench; `note` writes a state's name and "on" or "off"."""
        self._bench = bench
        self._note = note
        self._states: list[OpenState] = []

    @contextmanager
    def within(self, state: OpenState) -> Iterator[None]:
        """Keep a state open while the block runs; it is left whatever ends the block."""
        self._states.append(state)
        try:
            yield
        except BaseException as error:
            self._leave_after(state, error)
            raise
        self._leave(state)

    def establish(self, ask: Ask) -> None:
        """Bring about every open state that is not yet, outermost first."""
        bench = self._bench()
        for place, state in enumerate(self._states):
            if state.established:
                continue
            bench.connect(_sum(self._states[: place + 1]))
            state.established = True  # first: a half entered state must be left again
            state.prepare(bench, ask)
            self._told(state, "on")  # before it is: a journal never lacks what may be on
            state.enter(bench)

    def joined(self) -> Connection:
        """The sum of the connections of all open states."""
        return _sum(self._states)

    def energised(self) -> list[OpenState]:
        """What puts energy on leads now."""
        return [state for state in self._states if state.established and state.noted]

    def test_voltage_on(self) -> bool:
        """Whether an insulation test voltage is on leads now."""
        return any(isinstance(state, TestVoltage) for state in self.energised())

    def turn_excitation(self, side: Polarity) -> None:
        """Give the innermost excitation this polarity; raises WrongInput where there is none."""
        state = next((each for each in reversed(self._states) if isinstance(each, Excited)), None)
        if state is None:
            raise WrongInput("the excitation is to be reversed, and nothing is excited")
        if state.established:
            self._end(state)
        state.turn(side)

    def _leave(self, state: OpenState) -> None:
        self._states.remove(state)
        if state.established:
            self._end(state)

    def _leave_after(self, state: OpenState, error: BaseException) -> None:
        """Leave while a failure is on its way out; the bench is made safe at the end anyway."""
        try:
            self._leave(state)
        except Exception as another:  # noqa: BLE001  (the first failure is the one to tell)
            error.add_note(f"then, leaving {state.name}: {another}")

    def _end(self, state: OpenState) -> None:
        state.established = False
        state.leave(self._bench())
        self._told(state, "off")

    def _told(self, state: OpenState, to: str) -> None:
        if state.noted:
            self._note(state.name, to)


def _sum(states: list[OpenState]) -> Connection:
    total = NOTHING
    for state in states:
        if state.connection is not NOTHING:
            total = state.connection if total is NOTHING else total | state.connection
    return total
