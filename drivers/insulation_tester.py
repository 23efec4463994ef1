"""An insulation tester: high resistances at a test voltage. Charged leads can hurt.

Before a test every path to supply and multimeter is open, and nobody touches a lead; that is the
run's duty. This driver starts, reads, stops and proves that the voltage is gone.
"""

from __future__ import annotations

import math
from typing import ClassVar

from drivers.conversation import Answer
from drivers.dialect_parts import Applied, InsulationWords
from drivers.instrument import Instrument
from drivers.reply import NotThisReplyError, NoValueYetError
from drivers.values import Value

QUANTITY = "insulation-resistance"
_MOST_TRIES = 10
_EXCESS = 1.25  # of the wanted volts: testers overshoot; common practice, no source
_RISEN = 0.9
_RISE_S = 2.0
_LOOK_S = 0.1


class InsulationTester(Instrument):
    """Applies a voltage, reads resistance in ohm."""

    kinds: ClassVar[frozenset[str]] = frozenset({"insulation"})
    _started_ns: int | None = None
    _lost_sight: bool = False
    set_volts: float | None = None
    """The test voltage that was set and started last, V; read back where the dialect can."""

    def start(self, volts: float) -> None:
        """Apply `volts`; raises RefusedError when the tester cannot, or did not take it over."""
        fixed = self._words.fixed_volts
        if fixed is not None and not math.isclose(volts, fixed, rel_tol=1e-3):
            raise self._talk.cannot(f"it tests at {fixed:g} V only, {volts:g} V are wanted")
        words = self._steps.words({"volts": volts})
        self._talk.make_sure()
        self._steps.run(self._words.start, words)
        self._started_ns, self.set_volts = self._time.now_ns(), volts
        self._lost_sight = False
        if not self._words.is_told:
            self._watch_it_rise(volts)

    def read(self) -> Value:
        """Return the newest insulation resistance; waits while the leads are being charged.

        Raises RefusedError when no test is going on, or when the link was lost since `start`:
        what the tester does then is not known, so it must be stopped and started again.
        """
        self._talk.make_sure()
        if self._lost_sight:
            raise self._talk.cannot("the link was lost during the test: stop, then start again")
        parts = self._dialect.quantities[QUANTITY]
        words = self._steps.words({}, parts.values)
        within_s = self._dialect.link.reply_s + parts.reading.fixed_s
        with self._talk.unbroken():
            self._steps.run(parts.reading.begin, words)
            value = self._reader.read(
                QUANTITY, parts, words, within_s=within_s, since_ns=self._started_ns or 0
            )
            self._steps.prove(parts.reading.prove, words)
        if not self._words.is_told and self.set_volts is not None:
            self._refuse_more_than(self.set_volts)
        return value

    @property
    def set_by_hand(self) -> bool:
        """Whether a person must set the volts before each start."""
        return self._words.set_by_hand

    def applied_volts(self) -> Value | None:
        """Return the voltage at the terminals as the tester measures it; None where it cannot."""
        words = self._words.applied
        if words is None:
            return None
        if not self._talk.is_serial:
            return self._applied(words)
        # a digit lost on a serial line shows only beside another answer
        values = [self._applied(words)]
        while len(values) < _MOST_TRIES:
            values.append(self._applied(words))
            if _agree(values[-2], values[-1]):
                return values[-1]
        raise self._talk.reply_error("it never says the same voltage twice", values[-1].raw)

    def now_ns(self) -> int:
        """Bench time, ns."""
        return self._time.now_ns()

    def stop(self) -> None:
        """Take the voltage off and prove that it is gone; raises RefusedError when it is not."""
        self._talk.make_sure()
        words = self._steps.words()
        self._steps.run(self._words.stop, words)
        self._started_ns, self._lost_sight = None, False
        assert self._dialect.safe_off is not None
        for _ in range(2 if self._talk.is_serial else 1):  # one wrong bit proves nothing
            self._steps.prove(self._dialect.safe_off.proof, words)

    def safe_off(self) -> None:
        super().safe_off()
        self._lost_sight = False

    @property
    def _words(self) -> InsulationWords:
        assert self._dialect.insulation is not None
        return self._dialect.insulation

    def _watch_it_rise(self, volts: float) -> None:
        """Look at volts that nobody could tell it until they are there, at most a short while."""
        until_ns = self._time.now_ns() + round(_RISE_S * 1e9)
        while self._time.now_ns() < until_ns:
            risen = self._refuse_more_than(volts)
            if risen is None or risen >= _RISEN * volts:
                return
            self._time.wait(_LOOK_S)

    def _refuse_more_than(self, volts: float) -> float | None:
        """Stop the test and raise RefusedError where it applies more; return what it applies."""
        applied = self.applied_volts()
        if applied is None:
            return None
        most = _EXCESS * volts
        too_much = applied.limit == "above" or (applied.value is not None and applied.value > most)
        if too_much:
            self.stop()
            raise self._talk.refused(
                f"it applied more than the {volts:g} V that are wanted and was stopped: set it at"
                " its panel, and look whether the cell is still sound",
                applied.raw,
            )
        return applied.value

    def _forget(self) -> None:
        self._lost_sight = self._lost_sight or self._started_ns is not None
        self._started_ns = None

    def _applied(self, words: Applied) -> Value:
        answer = self._answer(words)
        try:
            parsed = words.reply.parse(answer.text, "V")
        except (NotThisReplyError, NoValueYetError) as error:
            self._talk.doubt()
            raise self._talk.reply_error(str(error), answer.text) from error
        self._steps.check_options(parsed.fields, answer.text)
        return Value(
            "dc-voltage", parsed.value, parsed.limit, "V", None, answer.text,
            answer.started_ns, answer.ended_ns,
        )  # fmt: skip

    def _answer(self, words: Applied) -> Answer:
        if words.ask is None:
            return self._talk.newest_line(0, self._dialect.link.reply_s)
        command = self._steps.fill(words.ask, self._steps.words())
        return self._talk.ask(command, lines=words.reply.lines)


def _agree(one: Value, other: Value) -> bool:
    """Return whether two voltages one after the other may both be true while it settles."""
    if one.value is None or other.value is None:
        return one.limit == other.limit
    return abs(one.value - other.value) <= 1.0 + 0.05 * abs(one.value)
