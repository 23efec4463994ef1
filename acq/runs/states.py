"""States that a `with` block keeps up: joins, excitation, test voltage.

They are established at the first live effect inside them, so that a replay switches nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from acq.bench.bench import Bench, Excitation
from acq.bench.connections import NOTHING, Connection, Polarity
from acq.errors import Stopped
from acq.runs.prompts import Answer, Prompt

Ask = Callable[[Prompt], Answer]


class OpenState:
    """One open `with` block. Joins are left lazily: the next connection replaces them."""

    noted = True  # energy that goes on and off is worth a line of the journal

    def __init__(self, name: str, connection: Connection = NOTHING) -> None:
        self.name = name
        self.connection = connection
        self.established = False

    def prepare(self, bench: Bench, ask: Ask) -> None:
        """Have answered and done what comes before it; it is not told as on yet."""

    def enter(self, bench: Bench) -> None:
        """Bring the state about; the joins of all open states are made already."""

    def leave(self, bench: Bench) -> None:
        """End the state."""


class Joined(OpenState):
    """Only joins; taking them off is harmless and can wait until others are wanted."""

    noted = False

    def __init__(self, connection: Connection) -> None:
        super().__init__(connection.name, connection)


class FixturesLoaded(OpenState):
    """Cells lie in fixtures. Whoever takes a run up again is asked for them again."""

    noted = False  # nothing is energised: a pause may be had

    def __init__(self, name: str, prompt: Prompt) -> None:
        super().__init__(f"fixtures, {name}")
        self._prompt = prompt

    def prepare(self, bench: Bench, ask: Ask) -> None:
        bench.connect(NOTHING)  # no hand at a lead that something is joined to
        ask(self._prompt)


class Excited(OpenState):
    """The supply is on. Left: off, proven down, and off the leads (clips: with the next joins)."""

    def __init__(self, joins: Callable[[Polarity], Connection], side: Polarity, wanted: Excitation):
        self._joins = joins
        self._wanted = wanted
        super().__init__("")
        self.turn(side)

    def turn(self, side: Polarity) -> None:
        """Have the other polarity when it is established next."""
        self.connection = self._joins(side)
        self.name = f"{self.connection.name} at {self._wanted.volts:g} V"

    def enter(self, bench: Bench) -> None:
        bench.excite(self._wanted)

    def leave(self, bench: Bench) -> None:
        bench.de_excite()
        if not bench.by_clips:  # a person takes them off when others are wanted: fewer moves
            bench.connect(NOTHING)


class TestVoltage(OpenState):
    """The insulation tester's voltage is on. Left: off and discharged."""

    __test__ = False  # not a test class, whatever its name begins with

    def __init__(self, volts: float, prompt: Prompt) -> None:
        super().__init__(f"insulation test voltage {volts:g} V")
        self._volts = volts
        self._prompt = prompt

    def prepare(self, bench: Bench, ask: Ask) -> None:  # noqa: ARG002
        if ask(self._prompt).text != self._prompt.choices[0]:
            raise Stopped("the test voltage was refused at the prompt")

    def enter(self, bench: Bench) -> None:
        bench.apply_test_voltage(self._volts)

    def leave(self, bench: Bench) -> None:
        bench.remove_test_voltage()
        bench.connect(NOTHING)
