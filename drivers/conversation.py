"""Ask and tell, one exchange at a time, never out of step.

An exchange that does not finish cleanly leaves the link in doubt: its reply may still be on
the way. So do bytes that nobody asked for. The flag is set first and cleared last, so every way out
leaves the link in doubt except success. Before the next exchange a link in doubt is opened
again, and on a serial line the longest reply is waited out first, for a late one cannot be
cut off there. After each reopening the instrument is greeted again by its driver, and
`generation` has moved on: whatever was set before must not be taken for granted.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from drivers.complaints import error_entry, not_acknowledged, refusal
from drivers.dialect import Dialect
from drivers.errors import InstrumentError, LinkLostError, NoReplyError, RefusedError, ReplyError
from drivers.exchange import WIRE_ERRORS, Exchange, as_bytes, as_text, in_ns
from drivers.framing import FramingError, line_end_hint
from drivers.reply import NotThisReplyError
from drivers.scpi import ErrorEntry
from drivers.time import Time
from drivers.wire import Wire


@dataclass(frozen=True, slots=True)
class Answer:
    """A whole reply, its lines joined by LF, with the bench times of sending and of arrival."""

    text: str
    started_ns: int
    ended_ns: int


class Conversation:
    """What is said over one wire; raises the four errors of `drivers.errors`."""

    def __init__(self, wire: Wire, dialect: Dialect, time: Time) -> None:
        self._wire = wire
        self._dialect = dialect
        self._time = time
        self._link = dialect.link
        self._bytes = Exchange(wire, dialect, time)
        self._lock = threading.RLock()
        self._in_doubt = False
        self._greeting = False
        self._newest: tuple[str, int] | None = None
        self._refused: str | None = None
        self.generation = 0
        self.greet: Callable[[], None] = lambda: None

    @property
    def is_serial(self) -> bool:
        return self._wire.is_serial

    @property
    def in_doubt(self) -> bool:
        """True when the next exchange will open the link again."""
        return self._in_doubt

    @property
    def closed(self) -> bool:
        return self._wire.closed

    def begin(self) -> None:
        """Greet the instrument for the first time."""
        with self._lock:
            self._greet()

    def make_sure(self) -> None:
        """Open a link in doubt again now, so that what depends on it is set anew."""
        with self._lock:
            self._be_sure()

    def ask(self, command: str, *, reply_s: float | None = None, lines: int = 1) -> Answer:
        """Send a query; return its whole reply within `reply_s` seconds of bench time."""
        with self._lock:
            self._be_sure()
            self._in_doubt = True
            try:
                started_ns = self._bytes.send(command)
                text = self._bytes.reply(started_ns, reply_s, lines, greeting=self._greeting)
                if text == command and "?" in command:
                    raise FramingError("it sends back what it was sent: set link.echo = true")
            except WIRE_ERRORS as error:
                raise self._failure(error) from error
            ended_ns = self._bytes.done()
            self._in_doubt = False
        self._raise_refusal(text)
        return Answer(text, started_ns, ended_ns)

    def tell(self, command: str, *, reply_s: float | None = None) -> None:
        """Send a command, and read its acknowledgement where the dialect has one."""
        words = self._dialect.acknowledgement
        text = ""
        with self._lock:
            self._be_sure()
            self._in_doubt = True
            try:
                started_ns = self._bytes.send(command)
                if words is not None:
                    text = self._bytes.reply(
                        started_ns, reply_s, words.lines, greeting=self._greeting
                    )
            except WIRE_ERRORS as error:
                raise self._failure(error) from error
            self._bytes.done()
            self._in_doubt = False
        if words is None:
            return
        self._raise_refusal(text)
        if reason := not_acknowledged(self._dialect, text):
            self._in_doubt = True
            raise self.reply_error(f"{command!r} was not acknowledged: {reason}", text)

    def ask_block(self, command: str, *, reply_s: float | None = None) -> bytearray:
        """Send a query; return the bytes of the IEEE 488.2 block that answers it."""
        with self._lock:
            self._be_sure()
            self._in_doubt = True
            try:
                block = self._bytes.block(self._bytes.send(command), reply_s)
            except WIRE_ERRORS as error:
                raise self._failure(error) from error
            self._bytes.done()
            self._in_doubt = False
        return block

    def newest_line(self, not_before_ns: int, within_s: float) -> Answer:
        """Return the newest whole line of a stream that came at or after `not_before_ns`.

        Waits at most `within_s` for one; older lines are passed over, and no line is
        returned twice. Raises RefusedError when the instrument refused something meanwhile.
        """
        with self._lock:
            self._be_sure()
            deadline_ns = self._time.now_ns() + in_ns(within_s)
            try:
                self._take_lines()
                while self._newest is None or self._newest[1] < not_before_ns:
                    self._bytes.take_more(deadline_ns)
                    self._take_lines()
            except WIRE_ERRORS as error:
                self._in_doubt = True
                raise self._failure(error) from error
            (text, at_ns), self._newest = self._newest, None
        refused, self._refused = self._refused, None
        if refused is not None:
            self._raise_refusal(refused)
        return Answer(text, at_ns, at_ns)

    def errors(self) -> tuple[ErrorEntry, ...]:
        """Return all that the instrument has to complain about, oldest first; bounded."""
        words = self._dialect.errors
        if words is None:
            return ()
        found: list[ErrorEntry] = []
        for _ in range(words.most if words.kind == "queue" else 1):
            entry = self._error_entry(words.ask)
            if entry is None:
                break
            found.append(entry)
        return tuple(entry for entry in found if entry.code not in words.ignore)

    def check_errors(self, commands: Sequence[str]) -> None:
        """Raise RefusedError when the instrument complains about what it was just told."""
        entries = self.errors()
        if entries:
            said = "; ".join(str(entry) for entry in entries)
            raise self.refused(f"{said} after {', '.join(map(repr, commands))}", said)

    def blurt(self, commands: Sequence[str], wake_s: float) -> None:
        """End half a command that may lie in the instrument, then send these and await nothing.

        What came within `wake_s` afterwards is dropped. For switching off and for waking up.
        """
        with self._lock:
            if self._in_doubt:
                self._reopen(wait_out=False)
            self._in_doubt = True
            try:
                self._bytes.send_line_end()
                self._time.wait(max(wake_s, self._dialect.pace.between_commands_s))
                for command in commands:
                    self._bytes.send(command)
                    self._bytes.done()
                self._time.wait(wake_s)
                self._bytes.drop_what_came()
            except WIRE_ERRORS as error:
                raise self._failure(error) from error
            self._newest = self._refused = None
            self._in_doubt = False

    @contextmanager
    def unbroken(self) -> Iterator[None]:
        """Raise RefusedError at the end when the link had to be opened again inside.

        What was told before that may be lost, and what was read may belong to something else.
        """
        generation = self.generation
        yield
        if generation != self.generation:
            self._in_doubt = True
            raise self.refused("the link had to be opened again in the middle of this")

    def doubt(self) -> None:
        """Say that what came cannot be trusted: the next exchange opens the link again."""
        self._in_doubt = True

    def matched(self, text: str) -> None:
        """Let who watches know how a reply was understood."""
        if self._wire.watch is not None:
            self._wire.watch("matched", as_bytes(text))

    def reply_error(self, reason: str, text: str) -> ReplyError:
        """Return the error for a whole reply that is not what the dialect says."""
        return ReplyError(*self._who, reason, sent=self._bytes.sent, received=as_bytes(text))

    def refused(self, reason: str, text: str = "") -> RefusedError:
        """Return the error for an instrument that did not do what it was told."""
        return RefusedError(*self._who, reason, sent=self._bytes.sent, received=as_bytes(text))

    def cannot(self, reason: str) -> RefusedError:
        """Return the error for what this dialect cannot do; nothing was sent for it."""
        return RefusedError(*self._who, reason)

    def no_reply(self, reason: str) -> NoReplyError:
        """Return the error for an instrument that has no value in time."""
        return NoReplyError(*self._who, reason, sent=self._bytes.sent)

    def close(self) -> None:
        with self._lock:
            self._wire.close()

    # doubt

    def _be_sure(self) -> None:
        """Make sure that the link is open and silent, so that the next bytes are the reply."""
        try:
            if self._in_doubt and not self._greeting:
                self._reopen_and_greet()
            if self._greeting:
                self._bytes.wait_until_ready()  # what it says while it starts is no answer
            if not self._link.free_running and self._wire.waiting():
                self._look_at_unasked()
        except WIRE_ERRORS as error:
            self._in_doubt = True
            raise self._failure(error) from error

    def _look_at_unasked(self) -> None:
        """Bytes nobody asked for: a reply of before, doubled or late, or only rests of a line."""
        self._bytes.take_what_came()
        if self._bytes.is_clean:
            return
        if self._greeting:
            self._bytes.drop_what_came()  # a banner: nothing was asked before
            return
        unasked = self._bytes.pending
        self._reopen_and_greet()
        if not self._wire.waiting():
            return
        self._bytes.take_what_came()
        if not self._bytes.is_clean:
            self._in_doubt = True
            raise self.reply_error("it speaks without being asked", as_text(unasked))

    def _reopen_and_greet(self) -> None:
        self._reopen(wait_out=True)
        self._greet()

    def _reopen(self, *, wait_out: bool) -> None:
        self._in_doubt = True
        if wait_out and self._wire.is_serial:
            self._time.wait(max(self._link.longest_reply_s, self._bytes.longest_ns / 1e9))
        self._newest = self._refused = None
        self.generation += 1
        try:
            self._wire.reopen()
        except ConnectionError as error:
            raise self._failure(error) from error
        self._bytes.start_over()
        self._in_doubt = False

    def _greet(self) -> None:
        """Let the driver identify and start up again; a failure leaves the link in doubt."""
        self._greeting = True
        try:
            self.greet()
        except BaseException:
            self._in_doubt = True
            raise
        finally:
            self._greeting = False

    # what the instrument says by itself, and about itself

    def _take_lines(self) -> None:
        self._keep_newest()
        while self._wire.waiting():
            self._bytes.take_what_came()
            self._keep_newest()

    def _keep_newest(self) -> None:
        while (text := self._bytes.next_line()) is not None:
            if refusal(self._dialect, text) is not None:
                self._refused = text
            else:
                self._newest = text, self._time.now_ns()

    def _error_entry(self, ask: str) -> ErrorEntry | None:
        answer = self.ask(ask)
        try:
            return error_entry(self._dialect, answer.text)
        except NotThisReplyError as error:
            self._in_doubt = True
            raise self.reply_error(str(error), answer.text) from error

    def _raise_refusal(self, text: str) -> None:
        reason = refusal(self._dialect, text)
        if reason is not None:
            raise self.refused(reason, text)

    @property
    def _who(self) -> tuple[str, str]:
        return self._wire.name, self._wire.resource

    def _failure(self, error: Exception) -> InstrumentError:
        """Return one of our errors for one of the wire's."""
        sent, partial = self._bytes.sent, self._bytes.pending
        if isinstance(error, ConnectionError):
            reason = str(error) or "the link is gone"
            return LinkLostError(*self._who, reason, sent=sent, received=partial)
        if isinstance(error, FramingError):
            return ReplyError(*self._who, str(error), sent=sent, received=partial[:200])
        hint = line_end_hint(partial, self._bytes.reply_end)
        hint = hint or ("" if partial else "; is it on, and does no other program talk to it?")
        return NoReplyError(
            *self._who, f"nothing whole came in time{hint}", sent=sent, received=partial
        )
