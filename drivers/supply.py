"""A laboratory supply: one output, current-limited, protected, sensed where the dialect can."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from drivers.dialect_parts import Step, SupplyWords
from drivers.errors import InstrumentError
from drivers.instrument import Instrument
from drivers.template import Given
from drivers.values import Value

PROTECTION = "over-voltage protection"
REMOTE_SENSE = "remote sense"


class Supply(Instrument):
    """Programs, switches and reads one output."""

    kinds: ClassVar[frozenset[str]] = frozenset({"supply"})
    _volts: float | None = None

    def program(
        self,
        volts: float,
        amps_limit: float,
        protection_volts: float | None = None,
        remote_sense: bool | None = None,
    ) -> None:
        """Set volts, current limit in A, over-voltage protection in V, and where it senses.

        None leaves protection or sense alone. The output is not switched. Raises RefusedError for
        what this supply cannot do, before anything is sent, and for what it did not take over.
        """
        self._refuse_what_is_absent(protection_volts, remote_sense)
        given: dict[str, Given] = {"volts": volts, "amps_limit": amps_limit}
        if protection_volts is not None:
            given["protection_volts"] = protection_volts
        if remote_sense is not None and self._words.remote_sense == "commanded":
            given["remote_sense"] = remote_sense
        elif remote_sense:
            given["remote_sense"] = True  # for a step that asks whether the rear links are there
        words = self._steps.words(given)
        self._talk.make_sure()
        self._steps.select()
        if protection_volts is not None and (self._volts is None or self._volts > protection_volts):
            # a protection below the volts set until now would trip, or be refused
            first = [step for step in self._words.program if "volts" in step.names()]
            self._steps.run(first, words)
        self._steps.run(self._words.program, words)
        self._volts = volts

    def switch_on(self) -> None:
        """Switch the output on and prove it; raises RefusedError, naming a tripped protection."""
        self._switch(self._words.on, want_on=True)

    def switch_off(self) -> None:
        """Switch the output off and prove it by its state."""
        self._switch(self._words.off, want_on=False)

    def is_off(self) -> bool:
        """Return whether the output is off by the supply's own word, or by its measured volts.

        Raises RefusedError when the supply can be asked neither.
        """
        if self._words.state is not None:
            return not self._steps.is_on(self._words.state)
        volts = self.read("voltage").value
        return volts is not None and abs(volts) < self._words.off_below

    def has_tripped(self) -> bool | None:
        """Return whether the protection has tripped; None when the supply cannot be asked."""
        return None if self._words.tripped is None else self._steps.is_on(self._words.tripped)

    def read(self, quantity: str) -> Value:
        """Return the supply's own reading of `voltage` or `current`."""
        return self._read_back(quantity)

    @property
    def _words(self) -> SupplyWords:
        assert self._dialect.supply is not None
        return self._dialect.supply

    def _forget(self) -> None:
        self._volts = None

    def _refuse_what_is_absent(self, protection: float | None, sense: bool | None) -> None:
        if protection is not None and PROTECTION not in self.capabilities:
            raise self._talk.cannot("it has no over-voltage protection that can be set")
        if sense and self._words.remote_sense == "none":
            raise self._talk.cannot("it has no remote sense")

    def _switch(self, steps: Sequence[Step], *, want_on: bool) -> None:
        self._talk.make_sure()
        try:
            self._steps.select()
            self._steps.run(steps, self._steps.words())
            if self._words.state is not None and self._steps.is_on(self._words.state) != want_on:
                raise self._talk.refused(f"the output is not {'on' if want_on else 'off'}")
        except InstrumentError as error:
            raise self._with_trip(error) from error

    def _with_trip(self, error: InstrumentError) -> InstrumentError:
        try:
            tripped = self.has_tripped()
        except InstrumentError:
            return error
        if not tripped:
            return error
        return self._talk.refused(
            "its protection has tripped: find the reason and clear it at its panel"
        )
