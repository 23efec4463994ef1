"""The supply with two outputs: chosen by a selection, or by a channel list in each command.

Output 1 is the one whose terminals stand on the bench; output 2 keeps its settings and is
connected to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from simulated_bench.instruments.parameters import Channels, Choice, Numeric, Optional_, Wanted
from simulated_bench.instruments.power_supply import PowerSupply
from simulated_bench.instruments.scpi_device import Answer, Entry, Handler, Taking, number
from simulated_bench.scpi import Expression, Unit

OUTPUTS = (1, 2)
BENCH_OUTPUT = 1
SHARED = ("*", "SYSTem:ERR", "SYSTem:VERS", "SYSTem:REM", "SYSTem:LOC", "STATus", "INSTrument")


class TwoOutputSupply(PowerSupply):
    """Commands go to the output that `selected` names."""

    def power_up(self) -> None:
        self.selected = BENCH_OUTPUT
        self._other: dict[str, object] = {}
        super().power_up()

    def reset(self) -> None:
        super().reset()
        self.selected = BENCH_OUTPUT
        self._other.clear()

    def commands(self) -> None:
        super().commands()
        self.on_switch("[SOURce:]VOLTage:PROTection:STATe", lambda: True, self._keep_protection)

    def on(self, pattern: str, handler: Handler, *wanted: Wanted | Optional_) -> None:
        if pattern.startswith(SHARED):
            super().on(pattern, handler, *wanted)
            return

        def routed(*values: object) -> Answer | Taking:
            if self.selected == BENCH_OUTPUT:
                return handler(*values)
            return self._elsewhere(pattern, values)

        super().on(pattern, routed, *wanted)

    def _keep_protection(self, on: bool) -> None:
        """The protection of this supply cannot be switched off."""
        del on

    def _elsewhere(self, pattern: str, values: Sequence[object]) -> Answer:
        """Output 2: what was set comes back, nothing flows."""
        if not pattern.endswith("?"):
            self._other[pattern] = values[0] if values else None
            return None
        kept = self._other.get(pattern.removesuffix("?"))
        if isinstance(kept, bool):
            return str(int(kept))
        if isinstance(kept, float):
            return number(kept)
        if isinstance(kept, str):
            return kept
        return "0" if "STATe" in pattern or "TRIP" in pattern else number(0.0)


class SelectSupply(TwoOutputSupply):
    """`INSTrument:NSELect` or `INSTrument[:SELect]` chooses the output."""

    def commands(self) -> None:
        super().commands()
        self.on("INSTrument:NSELect", self._select, Numeric(1, len(OUTPUTS), 1))
        self.on("INSTrument:NSELect?", lambda: str(self.selected))
        names = Choice(tuple(f"OUT{output}" for output in OUTPUTS))
        self.on("INSTrument[:SELect]", lambda name: self._select(float(name[3:])), names)
        self.on("INSTrument[:SELect]?", lambda: f"OUTP{self.selected}")

    def _select(self, output: float) -> None:
        self.selected = round(output)


class ListSupply(TwoOutputSupply):
    """A channel list as the last parameter names the output; without one it is output 1."""

    def _call(self, entry: Entry, unit: Unit, numbers: Sequence[int]) -> Taking:
        given = unit.parameters
        listed = bool(given) and isinstance(given[-1], Expression)
        outputs = Channels(OUTPUTS).read(given[-1]) if listed else (BENCH_OUTPUT,)
        bare = replace(unit, parameters=given[:-1]) if listed else unit
        answers = []
        for output in outputs:
            self.selected = output
            answers.append((yield from super()._call(entry, bare, numbers)))
        said = [answer for answer in answers if isinstance(answer, str)]
        return ",".join(said) if said else None
