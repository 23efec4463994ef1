"""An insulation tester: high resistances at a test voltage. Charged leads can hurt.

Before a test every path to supply and multimeter is open, and nobody touches a lead; that is the
run's duty. This driver starts, reads, stops and proves that the voltage is gone.
"""

from __future__ import annotations

from typing import ClassVar

from drivers.dialect import InsulationWords, Quantity
from drivers.instrument import Instrument
from drivers.reader import Reader
from drivers.reply import NotThisReplyError, NoValueYetError
from drivers.values import Value

QUANTITY = "insulation-resistance"


class InsulationTester(Instrument):
    """Applies a voltage, reads resistance in ohm."""

    kind: ClassVar[str] = "insulation"
    _started_ns: int = 0

    def start(self, volts: float) -> None:
        """Apply `volts`; raises RefusedError when the tester cannot, or did not take it over."""
        self._talk.make_sure()
        self._run(self._words.start, {"volts": volts})
        self._started_ns = self._time.now_ns()

    def read(self) -> Value:
        """Return the newest insulation resistance; waits while the leads are being charged.

        Raises RefusedError when no test is going on.
        """
        words = self._quantity
        reader = Reader(self._talk, self._dialect, self._time, self._fill)
        return reader.read(
            QUANTITY, words, {}, range_=None,
            within_s=self._dialect.link.reply_s + words.reading.fixed_s,
            since_ns=self._started_ns,
        )  # fmt: skip

    def applied_volts(self) -> Value | None:
        """Return the voltage at the terminals as the tester measures it; None where it cannot."""
        words = self._words.applied
        if words is None:
            return None
        if words.ask is None:
            answer = self._talk.newest_line(0, self._dialect.link.reply_s)
        else:
            answer = self._talk.ask(self._fill(words.ask, {}), lines=words.reply.lines)
        try:
            parsed = words.reply.parse(answer.text, "V")
        except (NotThisReplyError, NoValueYetError) as error:
            self._talk.doubt()
            raise self._talk.reply_error(str(error), answer.text) from error
        return Value(
            "dc-voltage", parsed.value, parsed.limit, "V", None, answer.text,
            answer.started_ns, answer.ended_ns,
        )  # fmt: skip

    def stop(self) -> None:
        """Take the voltage off and prove that it is gone; raises RefusedError when it is not."""
        self._run(self._words.stop, {})
        if self._dialect.safe_off is not None:
            for step in self._dialect.safe_off.proof:
                self._step(step, None, self._options)

    @property
    def _words(self) -> InsulationWords:
        assert self._dialect.insulation is not None
        return self._dialect.insulation

    @property
    def _quantity(self) -> Quantity:
        return self._dialect.quantities[QUANTITY]
