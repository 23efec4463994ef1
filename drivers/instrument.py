"""What every role shares: opening, greeting, telling with read-back, off and proven off.

A role's driver builds on `_run` (steps of the dialect, each told, read back and, at the end,
checked against the instrument's own error queue) and on `Reader` (one number).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from types import TracebackType
from typing import ClassVar, Self

from drivers.conversation import Conversation
from drivers.dialect import Dialect, Step
from drivers.errors import InstrumentError, LinkLostError, RefusedError, ReplyError
from drivers.reply import NotThisReplyError, NoValueYetError, Parsed, ReplyShape
from drivers.scpi import parse_number
from drivers.template import CannotSayError, Given, ValueFormat, fill
from drivers.time import Time
from drivers.wire import Wire

_OFF_ATTEMPTS = 3
_WORDS_FOR_ON = frozenset({"1", "+1", "ON", "EXT", "TRUE"})


class Instrument:
    """One instrument of one role, described by one dialect. A context manager."""

    kind: ClassVar[str]

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
        self._options: dict[str, Given] = {**dialect.options, **(options or {})}
        self._only_off = False
        self._talk.greet = self._greet

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
    ) -> Self:
        """Open the link, start the instrument up and prove who it is.

        `identity` is a pattern that its identification must match in full; `options` are the
        dialect's named choices, such as which output. With `only_off` nothing is asked or set:
        for a process that opens an instrument only to call `safe_off`.
        Raises the errors of `drivers.errors`.
        """
        if dialect.role != cls.kind:
            raise RefusedError(role, resource, f"its dialect is one for a {dialect.role}")
        try:
            wire = Wire(
                role, resource, time, library=library, line=dialect.serial.line(),
                reply_end=dialect.link.reply_end.encode("ascii"),
            )  # fmt: skip
        except ConnectionError as error:
            raise LinkLostError(role, resource, str(error)) from error
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
        text = self._talk.ask(words.ask, lines=words.reply.lines).text
        fields = self._match(words.reply, text)
        who = fields.get("identity", text)
        if self._identity is not None and not re.fullmatch(self._identity, who):
            self._talk.doubt()
            raise self._talk.reply_error(f"somebody else: {self._identity!r} was expected", text)
        return who

    def complaints(self) -> tuple[str, ...]:
        """Return what stands in the instrument's error queue, emptying it."""
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
        try:
            self._off_and_proven(words.tell, words.proof, words.wake_s)
        finally:
            self._only_off = False
            self._forget()

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

    # for the roles

    def _forget(self) -> None:
        """Forget what was set: after a doubt or a power cycle it must be set again."""

    def _run(self, steps: Sequence[Step], given: Mapping[str, Given]) -> dict[str, str]:
        """Do the steps in order; return all read-back fields.

        Raises RefusedError when a value cannot be said (before anything is sent), was not taken
        over, or when the instrument complains.
        """
        given = {**self._options, **given}
        todo = [step for step in steps if step.when is None or step.when in given]
        told = self._commands(todo, given)
        fields: dict[str, str] = {}
        try:
            for step, command in zip(todo, told, strict=True):
                fields |= self._step(step, command, given)
        except InstrumentError as error:
            raise self._explained(error) from error
        said = [command for command in told if command is not None]
        if said:
            self._talk.check_errors(said)
        return fields

    def _commands(self, steps: Sequence[Step], given: Mapping[str, Given]) -> list[str | None]:
        return [None if step.tell is None else self._fill(step.tell, given) for step in steps]

    def _fill(self, template: str, given: Mapping[str, Given]) -> str:
        """Return the command; raises RefusedError when the dialect cannot say it."""
        try:
            command = fill(template, {**self._options, **given}, self._dialect.values)
        except CannotSayError as error:
            raise self._talk.refused(str(error)) from error
        if len(command) > self._dialect.link.longest_command:
            raise self._talk.refused(f"a command of {len(command)} characters is too long for it")
        return command

    def _step(self, step: Step, command: str | None, given: Mapping[str, Given]) -> dict[str, str]:
        if command is not None:
            self._talk.tell(command, reply_s=step.reply_s)
        if step.settle_s:
            self._time.wait(step.settle_s)
        if step.ask is None or step.reply is None:
            return {}
        deadline_ns = self._time.now_ns() + round(step.within_s * 1e9)
        while True:
            text = self._talk.ask(
                self._fill(step.ask, given), reply_s=step.reply_s, lines=step.reply.lines
            ).text
            parsed, wrong = self._compared(step, text, given)
            if wrong is None:
                return dict(parsed.fields)
            if self._time.now_ns() >= deadline_ns:
                raise self._talk.refused(f"{self._talk.last_command!r}: {wrong}", text)
            self._time.wait(step.every_s)

    def _compared(
        self, step: Step, text: str, given: Mapping[str, Given]
    ) -> tuple[Parsed, str | None]:
        """Return the reply's fields and what in them is not as it was told, or None."""
        assert step.reply is not None
        try:
            parsed = step.reply.parse(text)
        except NotThisReplyError as error:
            if step.within_s:
                return Parsed(None, None, {}), str(error)
            self._talk.doubt()
            raise self._talk.reply_error(str(error), text) from error
        except NoValueYetError as error:
            return Parsed(None, None, {}), str(error)
        if step.below is not None and (parsed.value is None or abs(parsed.value) >= step.below):
            return parsed, f"{text} is not below {step.below:g}"
        for name, field in parsed.fields.items():
            if name in given and (wrong := self._differs(step, name, field, given[name])):
                return parsed, wrong
        return parsed, None

    def _differs(self, step: Step, name: str, field: str, told: Given) -> str | None:
        words = self._dialect.values.get(name, ValueFormat())
        if isinstance(told, bool):
            on = field == words.words["on"] if words.words else field.upper() in _WORDS_FOR_ON
            return None if on == told else f"{name} was set {told}, it says {field}"
        if isinstance(told, str) or words.choices:
            wanted = words.write(name, told)
            return None if field == wanted else f"{name} was set {wanted}, it says {field}"
        try:
            is_now = parse_number(field) / words.scale
        except ValueError:
            return f"{name}: {field!r} is not a number"
        wanted_number = words.nearest_allowed(name, told)
        slack = max(step.tolerance_ratio * abs(wanted_number), step.tolerance, words.resolution)
        if math.isclose(is_now, wanted_number, rel_tol=0.0, abs_tol=slack + 1e-15):
            return None
        return f"{name} was set {wanted_number:g}, it says {field}"

    def _match(self, shape: ReplyShape, text: str) -> dict[str, str]:
        try:
            return shape.match(text)
        except NotThisReplyError as error:
            self._talk.doubt()
            raise self._talk.reply_error(str(error), text) from error

    def _explained(self, error: InstrumentError) -> InstrumentError:
        """Add what the instrument itself has to say, where it can still be asked."""
        if isinstance(error, LinkLostError) or self._dialect.errors is None:
            return error
        try:
            said = "; ".join(self.complaints())
        except InstrumentError:
            return error
        if not said:
            return error
        kind = ReplyError if isinstance(error, ReplyError) else RefusedError
        return kind(
            error.role, error.resource, f"{error.reason}; it says {said}",
            sent=error.sent, received=error.received,
        )  # fmt: skip

    # opening and closing

    def _greet(self) -> None:
        self._forget()
        if self._only_off:
            return
        if self._talk.is_serial:
            self._talk.blurt(self._remote(), self._wake_s)
        self.identify()
        if self._dialect.errors is not None:
            self._talk.errors()  # what an earlier owner did wrong is not ours
        self._run(self._dialect.start_up, {})

    def _remote(self) -> tuple[str, ...]:
        return self._dialect.serial.remote if self._talk.is_serial else ()

    @property
    def _wake_s(self) -> float:
        return self._dialect.safe_off.wake_s if self._dialect.safe_off else 0.05

    def _say_goodbye(self) -> None:
        words = [step.tell for step in self._dialect.shut_down if step.tell]
        if self._talk.is_serial:
            words += self._dialect.serial.local
        try:
            for word in words:
                self._talk.tell(self._fill(word, {}))
        except InstrumentError:
            return  # closing goes on: what matters was proven before

    def _off_and_proven(self, tell: Sequence[str], proof: Sequence[Step], wake_s: float) -> None:
        commands = [*self._remote(), *(self._fill(template, {}) for template in tell)]
        failure: InstrumentError | None = None
        for _ in range(_OFF_ATTEMPTS):
            try:
                self._talk.blurt(commands, wake_s)
                for step in proof:
                    self._step(step, None, self._options)
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
