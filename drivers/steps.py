"""Steps of a dialect, done in order: told, read back, compared, and the error queue asked.

Everything is written out before the first byte is sent, so that a value which cannot be said
leaves the instrument as it was.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from drivers.conversation import Conversation
from drivers.dialect import Dialect
from drivers.dialect_parts import OnOff, Step
from drivers.errors import InstrumentError, LinkLostError, RefusedError, ReplyError
from drivers.reply import NotThisReplyError, NoValueYetError, Parsed, ReplyShape
from drivers.scpi import ErrorEntry, parse_number
from drivers.template import CannotSayError, Given, ValueFormat, fill
from drivers.time import Time

_MEANS_ON = frozenset({"1", "+1", "ON", "TRUE"})
_STREAM_WITHIN_S = 5.0
_PLAIN = ValueFormat()


@dataclass(frozen=True, slots=True)
class Words:
    """The values that templates are filled with, and how each is written."""

    given: Mapping[str, Given] = field(default_factory=dict)
    formats: Mapping[str, ValueFormat] = field(default_factory=dict)

    def form(self, name: str) -> ValueFormat:
        return self.formats.get(name, _PLAIN)


class Steps:
    """Does steps over one conversation."""

    def __init__(
        self, talk: Conversation, dialect: Dialect, time: Time, options: Mapping[str, str]
    ) -> None:
        self._talk = talk
        self._dialect = dialect
        self._time = time
        self._options = options
        self.found_at_greeting: tuple[ErrorEntry, ...] = ()

    def words(
        self,
        given: Mapping[str, Given] | None = None,
        formats: Mapping[str, ValueFormat] | None = None,
    ) -> Words:
        """Return `given` with the instrument's options, and `formats` over the dialect's."""
        return Words(
            {**self._options, **(given or {})}, {**self._dialect.values, **(formats or {})}
        )

    def fill(self, template: str, words: Words) -> str:
        """Return the command; raises RefusedError when the dialect cannot say it."""
        try:
            command = fill(template, words.given, words.formats)
        except CannotSayError as error:
            raise self._talk.cannot(str(error)) from error
        if len(command) > self._dialect.link.longest_command:
            raise self._talk.cannot(f"a command of {len(command)} characters is too long for it")
        return command

    def run(self, steps: Sequence[Step], words: Words) -> dict[str, str]:
        """Do the steps in order; return all fields that were read back.

        Raises RefusedError when a value cannot be said (before anything is sent), was not taken
        over, or when the instrument complains.
        """
        todo = [step for step in steps if step.when is None or step.when in words.given]
        told = [None if step.tell is None else self.fill(step.tell, words) for step in todo]
        fields: dict[str, str] = {}
        try:
            with self._talk.unbroken():
                for step, command in zip(todo, told, strict=True):
                    fields |= self._do(step, command, words)
        except InstrumentError as error:
            raise self.explained(error) from error
        said = [command for command in told if command is not None]
        if said:
            self._talk.check_errors(said)
        return fields

    def prove(self, steps: Sequence[Step], words: Words) -> None:
        """Do steps that only ask; the error queue is left alone."""
        for step in steps:
            self._do(step, None, words)

    def ask_state(self, command: str, lines: int = 1) -> str:
        """Ask for a state twice: one wrong bit makes 0 out of 1, and so does a reply of before."""
        said = self._talk.ask(command, lines=lines).text
        again = self._talk.ask(command, lines=lines).text
        if again != said:
            self._talk.doubt()
            raise self._talk.reply_error(f"asked again it said {again!r}", said)
        return said

    def select(self) -> None:
        """Choose the output or channel that everything after this is meant for."""
        if self._dialect.select:
            self.run(self._dialect.select, self.words())

    def is_on(self, question: OnOff) -> bool:
        """Return what the instrument answers to a question of on or off."""
        self.select()
        answer = self.ask_state(self.fill(question.ask, self.words()), question.reply.lines)
        fields = self.match(question.reply, answer)
        if question.bit is None:
            return "on" in fields
        try:
            return bool(int(parse_number(fields["value"])) >> question.bit & 1)
        except (KeyError, ValueError) as error:
            self._talk.doubt()
            raise self._talk.reply_error("no number in the answer", answer) from error

    def match(self, shape: ReplyShape, text: str) -> dict[str, str]:
        """Return the groups of a reply; raises ReplyError."""
        try:
            fields = shape.match(text)
        except NotThisReplyError as error:
            self._talk.doubt()
            raise self._talk.reply_error(str(error), text) from error
        self.check_options(fields, text)
        self._talk.matched(f"{shape.pattern} -> {fields}")
        return fields

    def check_options(self, fields: Mapping[str, str], text: str) -> None:
        """Raise ReplyError when a reply names another option, such as another output."""
        for name, told in self._options.items():
            shown = fields.get(name)
            wanted = self._dialect.values.get(name, _PLAIN).write(name, told)
            if shown is not None and not _same(shown, wanted):
                self._talk.doubt()
                raise self._talk.reply_error(f"it speaks of {name} {shown}, not {wanted}", text)

    def explained(self, error: InstrumentError) -> InstrumentError:
        """Add what the instrument itself has to say, where it can still be asked."""
        if isinstance(error, LinkLostError) or self._dialect.errors is None or not error.sent:
            return error
        self.found_at_greeting = ()
        try:
            # a link in doubt is opened again for this, and what the greeting finds belongs here
            entries = (*self._talk.errors(), *self.found_at_greeting)
        except InstrumentError:
            return error
        if not entries:
            return error
        said = "; ".join(str(entry) for entry in entries)
        kind = ReplyError if isinstance(error, ReplyError) else RefusedError
        return kind(
            error.role, error.resource, f"{error.reason}; it says {said}",
            sent=error.sent, received=error.received,
        )  # fmt: skip

    def _do(self, step: Step, command: str | None, words: Words) -> dict[str, str]:
        if command is not None:
            self._talk.tell(command, reply_s=step.reply_s)
        if step.settle_s:
            self._time.wait(step.settle_s)
        if step.reply is None:
            return {}
        deadline_ns = self._time.now_ns() + round(step.within_s * 1e9)
        while True:
            text = self._heard(step, step.reply, words)
            parsed, wrong = self._compared(step, step.reply, text, words)
            if wrong is None:
                self._talk.matched(f"{step.reply.pattern} -> {dict(parsed.fields)}")
                return dict(parsed.fields)
            if self._time.now_ns() >= deadline_ns:
                raise self._talk.refused(wrong, text)
            if not step.listen:
                self._time.wait(step.every_s)

    def _heard(self, step: Step, reply: ReplyShape, words: Words) -> str:
        if step.ask is None:
            patience_s = step.reply_s or _STREAM_WITHIN_S
            return self._talk.newest_line(self._time.now_ns(), patience_s).text
        command = self.fill(step.ask, words)
        return self._talk.ask(command, reply_s=step.reply_s, lines=reply.lines).text

    def _compared(
        self, step: Step, reply: ReplyShape, text: str, words: Words
    ) -> tuple[Parsed, str | None]:
        """Return the reply's fields, and what in them is not as it was told, or None."""
        nothing = Parsed(None, None, {})
        try:
            parsed = reply.parse(text)
        except NotThisReplyError as error:
            if step.within_s:
                return nothing, str(error)
            self._talk.doubt()
            raise self._talk.reply_error(str(error), text) from error
        except NoValueYetError as error:
            return nothing, str(error)
        if step.below is not None and (parsed.value is None or abs(parsed.value) >= step.below):
            return parsed, f"{text!r} is not below {step.below:g}"
        for name, told in words.given.items():
            shown = parsed.fields.get(name)
            if shown is not None and (wrong := _difference(step, name, shown, told, words)):
                return parsed, wrong
        return parsed, None


def _difference(step: Step, name: str, shown: str, told: Given, words: Words) -> str | None:
    """Return how a read-back differs from what was told, or None."""
    form = words.form(name)
    if isinstance(told, bool):
        on = shown == form.words["on"] if "on" in form.words else shown.upper() in _MEANS_ON
        return None if on == told else f"{name} was set {told}, it says {shown}"
    if isinstance(told, str) or form.choices:
        wanted = form.write(name, told)
        return None if _same(shown, wanted) else f"{name} was set {wanted}, it says {shown}"
    try:
        is_now = parse_number(shown) / form.scale
    except ValueError:
        return f"{name}: {shown!r} is not a number"
    aimed = form.nearest_allowed(name, told)
    slack = max(step.tolerance_ratio * abs(aimed), step.tolerance, form.resolution)
    if math.isclose(is_now, aimed, rel_tol=1e-12, abs_tol=slack):
        return None
    return f"{name} was set {aimed:g}, it says {shown}"


def _same(shown: str, wanted: str) -> bool:
    """Compare words, and numbers by value: an output number may come back as +1."""
    if shown == wanted:
        return True
    try:
        return parse_number(shown) == parse_number(wanted)
    except ValueError:
        return False
