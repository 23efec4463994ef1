"""One number by the way its dialect describes: by request, after polling, or from a stream."""

from __future__ import annotations

from dataclasses import replace

from drivers.conversation import Answer, Conversation
from drivers.dialect_parts import Quantity, Reading, State
from drivers.errors import InstrumentError
from drivers.reply import NotThisReplyError, NoValueYetError, Parsed, ReplyShape
from drivers.steps import Steps, Words
from drivers.time import Time
from drivers.values import Value

_MOST_CONFIRMATIONS = 5


class Reader:
    """Reads one quantity over one conversation."""

    def __init__(self, talk: Conversation, steps: Steps, time: Time) -> None:
        self._talk = talk
        self._steps = steps
        self._time = time

    def read(
        self,
        name: str,
        quantity: Quantity,
        words: Words,
        *,
        range_: float | None = None,
        within_s: float,
        since_ns: int = 0,
    ) -> Value:
        """Return one reading that is younger than `since_ns`, within `within_s` seconds.

        Raises NoReplyError when there is none in time, ReplyError for anything that the
        dialect does not know, RefusedError when the instrument is not measuring.
        """
        reading = quantity.reading
        give_up_ns = self._time.now_ns() + round(reading.retry_s * 1e9)
        while True:
            try:
                answer = self._answer(reading, words, within_s, since_ns)
            except InstrumentError as error:
                raise self._steps.explained(error) from error
            parsed = self._parsed(answer, reading, quantity.unit)
            if parsed is not None:
                answer, parsed = self._confirmed(quantity, words, answer, parsed, within_s)
                return _value(name, quantity, parsed, answer, range_)
            if self._time.now_ns() >= give_up_ns:
                raise self._talk.no_reply(f"it has no value: {answer.text!r}")
            self._time.wait(reading.every_s)

    def fetch(
        self,
        name: str,
        quantity: Quantity,
        words: Words,
        *,
        range_: float | None,
        within_s: float,
        started_ns: int,
    ) -> Value:
        """Return the reading that was started before, as `read` does."""
        reading = quantity.reading
        assert reading.fetch is not None
        answer = self._talk.ask(
            self._steps.fill(reading.fetch, words), reply_s=within_s, lines=reading.reply.lines
        )
        parsed = self._parsed(answer, reading, quantity.unit)
        if parsed is None:
            raise self._talk.no_reply(f"it has no value: {answer.text!r}")
        answer, parsed = self._confirmed(quantity, words, answer, parsed, within_s)
        return _value(name, quantity, parsed, replace(answer, started_ns=started_ns), range_)

    def _answer(self, reading: Reading, words: Words, within_s: float, since_ns: int) -> Answer:
        fresh_ns = since_ns + round(reading.stale_s * 1e9)
        if reading.by == "stream":
            return self._from_stream(reading, within_s, fresh_ns)
        if self._time.now_ns() < fresh_ns:
            self._time.wait((fresh_ns - self._time.now_ns()) / 1e9)
        if reading.state is not None:
            self._poll(reading.state, words)
        assert reading.ask is not None
        return self._talk.ask(
            self._steps.fill(reading.ask, words), reply_s=within_s, lines=reading.reply.lines
        )

    def _from_stream(self, reading: Reading, within_s: float, not_before_ns: int) -> Answer:
        give_up_ns = self._time.now_ns() + round(within_s * 1e9)
        while True:
            left_s = max(0.0, (give_up_ns - self._time.now_ns()) / 1e9)
            answer = self._talk.newest_line(not_before_ns, left_s)
            if _matches_one(reading.stopped, answer.text):
                raise self._talk.refused("it is not measuring", answer.text)
            if not _matches_one(reading.skip, answer.text):
                return answer

    def _poll(self, state: State, words: Words) -> None:
        deadline_ns = self._time.now_ns() + round(state.longest_s * 1e9)
        while True:
            text = self._talk.ask(self._steps.fill(state.ask, words), lines=state.reply.lines).text
            now = self._steps.match(state.reply, text)["state"]
            if now in state.ready:
                return
            if now in state.stopped:
                raise self._talk.refused(f"it is not measuring, its state is {now}", text)
            if now not in state.busy:
                raise self._doubtful(f"state {now!r} is not in the dialect", text)
            if self._time.now_ns() >= deadline_ns:
                raise self._talk.no_reply(f"still {now} after {state.longest_s:g} s")
            self._time.wait(state.every_s)

    def _parsed(self, answer: Answer, reading: Reading, unit: str) -> Parsed | None:
        """Return the reply's meaning, None when it says "no value"."""
        try:
            parsed = reading.reply.parse(answer.text, unit)
        except NoValueYetError:
            return None
        except NotThisReplyError as error:
            raise self._doubtful(str(error), answer.text) from error
        self._steps.check_options(parsed.fields, answer.text)
        if parsed.value is None and parsed.limit is None:
            raise self._doubtful("no value in the reply", answer.text)
        self._talk.matched(f"{reading.reply.pattern} -> {parsed.value}, {parsed.limit}")
        return parsed

    def _confirmed(
        self, quantity: Quantity, words: Words, answer: Answer, parsed: Parsed, within_s: float
    ) -> tuple[Answer, Parsed]:
        """Ask again: a reply damaged on the way differs from the next one.

        Where the instrument keeps its number both must be the same text. Where the second is a
        new reading both must be close, and one that still moves may be asked a few times.
        """
        reading = quantity.reading
        wanted = reading.confirm_over == "any link" or self._talk.is_serial
        if not reading.confirms or not wanted:
            return answer, parsed
        for _ in range(_MOST_CONFIRMATIONS if reading.confirm_ratio else 1):
            again = self._once_more(reading, words, answer, within_s)
            if again.text == answer.text:
                return answer, parsed
            second = self._parsed(again, reading, quantity.unit)
            if second is not None and _close_enough(reading, parsed, second):
                return again, second
            if second is not None:
                answer, parsed = again, second
        raise self._doubtful(f"asked again it said {again.text!r}", answer.text)

    def _once_more(self, reading: Reading, words: Words, answer: Answer, within_s: float) -> Answer:
        if reading.by == "stream":
            return self._from_stream(reading, within_s, answer.ended_ns + 1)
        command = self._steps.fill(reading.confirm or reading.ask or "", words)
        return self._talk.ask(command, reply_s=within_s, lines=reading.reply.lines)

    def _doubtful(self, reason: str, text: str) -> InstrumentError:
        self._talk.doubt()
        return self._talk.reply_error(reason, text)


def _close_enough(reading: Reading, first: Parsed, second: Parsed) -> bool:
    """Return whether two readings one after the other differ by no more than is allowed."""
    if first.value is None or second.value is None or first.limit != second.limit:
        return False
    slack = reading.confirm_absolute + reading.confirm_ratio * abs(first.value)
    return abs(first.value - second.value) <= slack


def _matches_one(shapes: tuple[ReplyShape, ...], text: str) -> bool:
    return any(shape.expression.fullmatch(text) for shape in shapes)


def _value(
    name: str, quantity: Quantity, parsed: Parsed, answer: Answer, range_: float | None
) -> Value:
    return Value(
        name, parsed.value, parsed.limit, quantity.unit, range_, answer.text,
        answer.started_ns, answer.ended_ns,
    )  # fmt: skip
