"""What every role shares: opening, greeting, identity, off and proven off, closing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import TracebackType
from typing import ClassVar, Self

from drivers.conversation import Conversation
from drivers.dialect import Dialect
from drivers.dialect_parts import SafeOff
from drivers.errors import InstrumentError, LinkLostError, RefusedError
from drivers.reader import Reader
from drivers.steps import Steps
from drivers.time import Time
from drivers.values import Value
from drivers.wire import Watch, Wire

_OFF_ATTEMPTS = 3


class Instrument:
    """One instrument of one role, described by one dialect. A context manager."""

    kinds: ClassVar[frozenset[str]]

    def __init__(
        self,
        conversation: Conversation,
        dialect: Dialect,
        time: Time,
        *,
        identity: str | None = None,
        options: Mapping[str, str] | None = None,
    ) -> None:
        self._talk = conversation
        self._dialect = dialect
        self._time = time
        self._identity = identity
        self._only_off = False
        self._check_options(options or {})
        self._steps = Steps(conversation, dialect, time, {**dialect.options, **(options or {})})
        self._reader = Reader(conversation, self._steps, time)
        self._talk.greet = self._greet
        self._found: tuple[str, ...] = ()

    @classmethod
    def open(
        cls,
        role: str,
        resource: str,
        dialect: Dialect,
        time: Time,
        *,
        library: str = "@py",
        identity: str | None = None,
        options: Mapping[str, str] | None = None,
        only_off: bool = False,
        watch: Watch | None = None,
    ) -> Self:
        """Open the link, start the instrument up and prove who it is.

        `identity` is a pattern that its identification must match in full; `options` are the
        dialect's named choices, such as which output. With `only_off` nothing is asked or set:
        for a process that opens an instrument only to call `safe_off`. `watch` hears all bytes.
        Raises the errors of `drivers.errors`.
        """
        if dialect.role not in cls.kinds:
            raise RefusedError(role, resource, f"its dialect is one for a {dialect.role}")
        try:
            wire = Wire(
                role, resource, time, library=library, line=dialect.serial.line(),
                reply_end=dialect.link.reply_end.encode("ascii"),
            )  # fmt: skip
        except ConnectionError as error:
            raise LinkLostError(role, resource, str(error)) from error
        wire.watch = watch
        conversation = Conversation(wire, dialect, time)
        try:
            made = cls(conversation, dialect, time, identity=identity, options=options)
            if not only_off:
                conversation.begin()
        except BaseException:
            conversation.close()
            raise
        return made

    @property
    def capabilities(self) -> frozenset[str]:
        """What can be asked of it (see `Dialect.capabilities`)."""
        return self._dialect.capabilities

    @property
    def dialect(self) -> Dialect:
        return self._dialect

    def identify(self) -> str:
        """Return the identification as the instrument gives it; empty where it has none.

        Raises ReplyError when it is not the expected one.
        """
        words = self._dialect.identification
        if words is None:
            return ""
        ask = self._steps.fill(words.ask, self._steps.words())
        text = self._talk.ask(ask, lines=words.reply.lines).text
        who = self._steps.match(words.reply, text).get("identity", text)
        if self._identity is not None and not re.fullmatch(self._identity, who):
            self._talk.doubt()
            raise self._talk.reply_error(f"somebody else: {self._identity!r} was expected", text)
        return who

    @property
    def found_when_opened(self) -> tuple[str, ...]:
        """What stood in the error queue when the link was opened: left by an earlier owner."""
        return self._found

    def complaints(self) -> tuple[str, ...]:
        """Return what stands in the instrument's error queue, oldest first, emptying it."""
        return tuple(str(entry) for entry in self._talk.errors())

    def safe_off(self) -> None:
        """Switch off and prove it, whatever was said before on this link.

        A line end goes first: half a command of a killed process may lie in the instrument.
        Raises RefusedError when off cannot be proven, LinkLostError when nobody answers.
        """
        words = self._dialect.safe_off
        if words is None:
            return
        self._only_off = True
        generation = self._talk.generation
        try:
            self._off_and_proven(words)
        finally:
            self._only_off = False
            self._forget()
            if generation != self._talk.generation:
                self._talk.doubt()  # it was opened again without a greeting: next time with one

    def close(self) -> None:
        """Give the instrument back to its own panel and close the link; harmless when repeated."""
        try:
            if not self._talk.in_doubt and not self._talk.closed:
                self._say_goodbye()
        finally:
            self._talk.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _forget(self) -> None:
        """Forget what was set: after a doubt or a power cycle it must be set again."""

    def _check_options(self, options: Mapping[str, str]) -> None:
        for name in options:
            if name not in self._dialect.options:
                known = ", ".join(self._dialect.options) or "none"
                raise self._talk.cannot(f"its dialect has no option {name!r}; it has {known}")

    def _greet(self) -> None:
        self._forget()
        if self._only_off:
            return
        if self._talk.is_serial:
            self._talk.blurt(self._remote(), self._wake_s)
        self.identify()
        # what an earlier owner did wrong is not ours, unless we were the owner
        self._steps.found_at_greeting = self._talk.errors()
        self._found = tuple(str(entry) for entry in self._steps.found_at_greeting)
        self._steps.run(self._dialect.start_up, self._steps.words())

    def _remote(self) -> tuple[str, ...]:
        return self._dialect.serial.remote if self._talk.is_serial else ()

    @property
    def _wake_s(self) -> float:
        return self._dialect.safe_off.wake_s if self._dialect.safe_off else 0.05

    def _say_goodbye(self) -> None:
        words = self._steps.words()
        try:
            self._steps.run(self._dialect.shut_down, words)
            if self._talk.is_serial and self._dialect.serial.local:
                self._talk.blurt(self._dialect.serial.local, 0.0)
        except InstrumentError:
            return  # closing goes on: what matters was proven before

    def _off_and_proven(self, words: SafeOff) -> None:
        said = self._steps.words()
        commands = [*self._remote(), *(self._steps.fill(each, said) for each in words.tell)]
        failure: InstrumentError | None = None
        for _ in range(_OFF_ATTEMPTS):
            try:
                self._talk.blurt(commands, words.wake_s)
                self._steps.select()
                self._steps.prove(words.proof, said)
                if self._talk.is_serial:
                    self._steps.prove(words.proof, said)  # one wrong bit proves nothing
            except InstrumentError as error:
                failure = error
                self._talk.doubt()
            else:
                return
        assert failure is not None
        if isinstance(failure, LinkLostError):
            raise failure
        raise RefusedError(
            failure.role, failure.resource,
            f"NOT PROVEN OFF: {failure.reason}; switch it off at its panel before touching a lead",
            sent=failure.sent, received=failure.received,
        ) from failure  # fmt: skip

    def _read_back(self, quantity: str) -> Value:
        """Return what an instrument with an output measures or states of it itself."""
        parts = self._dialect.quantities.get(quantity)
        if parts is None:
            raise self._talk.cannot(f"it does not read {quantity}")
        words = self._steps.words({}, parts.values)
        self._talk.make_sure()
        within_s = self._dialect.link.reply_s + parts.reading.fixed_s
        with self._talk.unbroken():
            self._steps.select()
            self._steps.run((*parts.settings, *parts.reading.begin), words)
            value = self._reader.read(quantity, parts, words, within_s=within_s)
            self._steps.prove(parts.reading.prove, words)
        return value
