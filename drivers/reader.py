"""One number by the way its dialect describes: by request, after polling, or from a stream."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from drivers.conversation import Answer, Conversation
from drivers.dialect import Dialect, Quantity, Reading, State
from drivers.errors import InstrumentError
from drivers.reply import NotThisReplyError, NoValueYetError, Parsed
from drivers.template import Given
from drivers.time import Time
from drivers.values import Value


class Reader:
    """Reads one quantity over one conversation."""

    def __init__(
        self,
        talk: Conversation,
        dialect: Dialect,
        time: Time,
        fill: Callable[[str, Mapping[str, Given]], str],
    ) -> None:
        self._talk = talk
        self._dialect = dialect
        self._time = time
        self._fill = fill

    def read(
        self,
        name: str,
        quantity: Quantity,
        given: Mapping[str, Given],
        *,
        range_: float | None,
        within_s: float,
        since_ns: int = 0,
    ) -> Value:
        """Return one reading that is younger than `since_ns`, within `within_s` seconds.

        Raises NoReplyError when there is none in time, ReplyError for anything that the
        dialect does not know.
        """
        reading = quantity.reading
        give_up_ns = self._time.now_ns() + round(max(reading.retry_s, 0.0) * 1e9)
        while True:
            answer = self._answer(reading, given, within_s, since_ns)
            parsed = self._parsed(answer, reading, quantity.unit)
            if parsed is not None:
                self._confirm(reading, given, answer, within_s)
                return _value(name, quantity, parsed, answer, range_)
            if self._time.now_ns() >= give_up_ns:
                raise self._talk.no_reply(f"it has no value: {answer.text!r}")
            self._time.wait(reading.every_s)

    def fetch(
        self, name: str, quantity: Quantity, given: Mapping[str, Given], *, range_: float | None,
        within_s: float, started_ns: int,
    ) -> Value:  # fmt: skip
        """Return the reading that was started before, as `read` does."""
        reading = quantity.reading
        assert reading.fetch is not None
        answer = self._talk.ask(self._fill(reading.fetch, given), reply_s=within_s,
                                lines=reading.reply.lines)  # fmt: skip
        parsed = self._parsed(answer, reading, quantity.unit)
        if parsed is None:
            raise self._talk.no_reply(f"it has no value: {answer.text!r}")
        self._confirm(reading, given, answer, within_s)
        started = replace(answer, started_ns=started_ns)
        return _value(name, quantity, parsed, started, range_)

    def _answer(
        self, reading: Reading, given: Mapping[str, Given], within_s: float, since_ns: int
    ) -> Answer:
        if reading.by == "stream":
            return self._from_stream(reading, within_s, since_ns)
        if reading.state is not None:
            self._poll(reading.state, given)
        assert reading.ask is not None
        return self._talk.ask(
            self._fill(reading.ask, given), reply_s=within_s, lines=reading.reply.lines
        )

    def _from_stream(self, reading: Reading, within_s: float, since_ns: int) -> Answer:
        not_before_ns = max(since_ns + round(reading.stale_s * 1e9), self._talk.stream_seen_ns)
        while True:
            answer = self._talk.newest_line(not_before_ns, within_s)
            self._talk.raise_refusal(answer.text)
            if not any(_matches(shape.match, answer.text) for shape in reading.skip):
                return answer
            not_before_ns = answer.ended_ns + 1

    def _poll(self, state: State, given: Mapping[str, Given]) -> None:
        deadline_ns = self._time.now_ns() + round(state.longest_s * 1e9)
        while True:
            text = self._talk.ask(self._fill(state.ask, given), lines=state.reply.lines).text
            try:
                now = state.reply.match(text)["state"]
            except NotThisReplyError as error:
                raise self._doubtful(error, text) from error
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
        try:
            parsed = reading.reply.parse(answer.text, unit)
        except NoValueYetError:
            return None
        except NotThisReplyError as error:
            raise self._doubtful(error, answer.text) from error
        if parsed.value is None and parsed.limit is None:
            raise self._doubtful("no value in the reply", answer.text)
        return parsed

    def _confirm(
        self, reading: Reading, given: Mapping[str, Given], answer: Answer, within_s: float
    ) -> None:
        """Ask for the same number again where the instrument keeps it: a damaged one differs."""
        if reading.confirm is None:
            return
        again = self._talk.ask(
            self._fill(reading.confirm, given), reply_s=within_s, lines=reading.reply.lines
        )
        if again.text != answer.text:
            raise self._doubtful(f"asked again it said {again.text!r}", answer.text)

    def _doubtful(self, reason: object, text: str) -> InstrumentError:
        self._talk.doubt()
        return self._talk.reply_error(str(reason), text)


def _matches(match: Callable[[str], object], text: str) -> bool:
    try:
        match(text)
    except NotThisReplyError:
        return False
    return True


def _value(
    name: str, quantity: Quantity, parsed: Parsed, answer: Answer, range_: float | None
) -> Value:
    return Value(
        name, parsed.value, parsed.limit, quantity.unit, range_, answer.text,
        answer.started_ns, answer.ended_ns,
    )  # fmt: skip
