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

from drivers.dialect import Dialect
from drivers.errors import InstrumentError, LinkLostError, NoReplyError, RefusedError, ReplyError
from drivers.framing import BlockFramer, FramingError, LineFramer, line_end_hint
from drivers.reply import NotThisReplyError
from drivers.scpi import ErrorEntry
from drivers.time import Time
from drivers.wire import Wire

_WIRE_ERRORS = (TimeoutError, ConnectionError, FramingError)


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
        self._pace = dialect.pace
        self._command_end = dialect.link.command_end.encode("ascii")
        self._reply_end = dialect.link.reply_end.encode("ascii")
        self._reply_ns = _ns(dialect.link.reply_s)
        self._gap_ns = _ns(dialect.pace.between_commands_s)
        self._framer = self._new_framer()
        self._lock = threading.RLock()
        self._in_doubt = False
        self._greeting = False
        self._ready_at_ns = time.now_ns() + _ns(dialect.pace.after_open_s)
        self._longest_ns = 0
        self._sent = b""
        self._newest: tuple[str, int] | None = None
        self._refusal: str | None = None
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

    @property
    def last_command(self) -> str:
        """What was sent last, without its line end."""
        return _text(self._sent.removesuffix(self._command_end))

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
                started_ns = self._send(command)
                text = self._reply(started_ns, reply_s, lines)
                if text == command and "?" in command:
                    raise FramingError("it sends back what it was sent: set link.echo = true")
            except _WIRE_ERRORS as error:
                raise self._failure(error) from error
            ended_ns = self._done()
        self._raise_refusal(text)
        return Answer(text, started_ns, ended_ns)

    def tell(self, command: str, *, reply_s: float | None = None) -> None:
        """Send a command, and read its acknowledgement where the dialect has one."""
        text = ""
        with self._lock:
            self._be_sure()
            self._in_doubt = True
            try:
                started_ns = self._send(command)
                if self._dialect.acknowledgement is not None:
                    text = self._reply(started_ns, reply_s, self._dialect.acknowledgement.lines)
            except _WIRE_ERRORS as error:
                raise self._failure(error) from error
            self._done()
        if self._dialect.acknowledgement is not None:
            self._check_acknowledgement(command, text)

    def ask_block(self, command: str, *, reply_s: float | None = None) -> bytearray:
        """Send a query; return the bytes of the IEEE 488.2 block that answers it."""
        with self._lock:
            self._be_sure()
            self._in_doubt = True
            framer = BlockFramer(self._reply_end)
            try:
                deadline_ns = self._deadline(self._send(command), reply_s)
                while (block := framer.block(message_ended=self._wire.message_ended)) is None:
                    self._fill_block(framer, deadline_ns)
            except _WIRE_ERRORS as error:
                raise self._failure(error, framer.pending) from error
            self._done()
        return block

    def newest_line(self, not_before_ns: int, within_s: float) -> Answer:
        """Return the newest whole line of a stream that came at or after `not_before_ns`.

        Waits at most `within_s` for one; older lines are passed over, and no line is
        returned twice. Raises RefusedError when the instrument refused something meanwhile.
        """
        with self._lock:
            self._be_sure()
            deadline_ns = self._time.now_ns() + _ns(within_s)
            try:
                self._take_what_came()
                while self._newest is None or self._newest[1] < not_before_ns:
                    self._framer.receive(self._wire.receive(deadline_ns))
                    self._take_what_came()
            except _WIRE_ERRORS as error:
                self._in_doubt = True
                raise self._failure(error) from error
            (text, at_ns), self._newest = self._newest, None
        self._raise_refused_meanwhile()
        return Answer(text, at_ns, at_ns)

    def errors(self) -> tuple[ErrorEntry, ...]:
        """Return all that the instrument has to complain about, oldest first; bounded."""
        words = self._dialect.errors
        if words is None:
            return ()
        found: list[ErrorEntry] = []
        for _ in range(words.most if words.kind == "queue" else 1):
            entry = self._error_entry()
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
                self._wire.send(self._command_end, self._deadline(self._time.now_ns(), None))
                self._time.wait(max(wake_s, self._pace.between_commands_s))
                for command in commands:
                    self._send(command)
                    self._done()
                    self._in_doubt = True
                self._time.wait(wake_s)
                self._drop_what_came()
            except _WIRE_ERRORS as error:
                raise self._failure(error) from error
            self._in_doubt = False

    def matched(self, text: str) -> None:
        """Let who watches know how a reply was understood."""
        if self._wire.watch is not None:
            self._wire.watch("matched", _bytes(text))

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

    def reply_error(self, reason: str, text: str) -> ReplyError:
        """Return the error for a whole reply that is not what the dialect says."""
        return ReplyError(*self._who, reason, sent=self._sent, received=_bytes(text))

    def refused(self, reason: str, text: str = "") -> RefusedError:
        """Return the error for an instrument that did not do what it was told."""
        return RefusedError(*self._who, reason, sent=self._sent, received=_bytes(text))

    def cannot(self, reason: str) -> RefusedError:
        """Return the error for what this dialect cannot do; nothing was sent for it."""
        return RefusedError(*self._who, reason)

    def no_reply(self, reason: str) -> NoReplyError:
        """Return the error for an instrument that has no value in time."""
        return NoReplyError(*self._who, reason, sent=self._sent)

    def close(self) -> None:
        with self._lock:
            self._wire.close()

    # one exchange

    def _be_sure(self) -> None:
        """Make sure that the link is open and silent, so that the next bytes are the reply."""
        try:
            if self._in_doubt and not self._greeting:
                self._reopen_and_greet()
            if not self._link.free_running and self._wire.waiting():
                self._look_at_unasked()
        except _WIRE_ERRORS as error:
            self._in_doubt = True
            raise self._failure(error) from error

    def _look_at_unasked(self) -> None:
        """Bytes nobody asked for: a reply of before, doubled or late, or only rests of a line."""
        self._take_what_came(keep=False)
        if self._framer.is_clean:
            return
        if self._greeting:
            self._framer = self._new_framer()  # a banner: nothing was asked before
            return
        unasked = self._framer.pending
        self._reopen_and_greet()
        if not self._wire.waiting():
            return
        self._take_what_came(keep=False)
        if not self._framer.is_clean:
            self._in_doubt = True
            raise self.reply_error("it speaks without being asked", _text(unasked))

    def _send(self, command: str) -> int:
        """Send one command when the instrument is ready for it; return when."""
        now_ns = self._time.now_ns()
        if now_ns < self._ready_at_ns:
            self._time.wait((self._ready_at_ns - now_ns) / 1e9)
            now_ns = self._time.now_ns()
        self._sent = command.encode("ascii") + self._command_end
        self._wire.send(self._sent, now_ns + self._reply_ns)
        if self._link.echo:
            self._drop_echo(command)
        return now_ns

    def _done(self) -> int:
        now_ns = self._time.now_ns()
        self._ready_at_ns = now_ns + self._gap_ns
        self._in_doubt = False
        return now_ns

    def _reply(self, started_ns: int, reply_s: float | None, lines: int) -> str:
        deadline_ns = self._deadline(started_ns, reply_s)
        if self._pace.write_to_read_s:
            self._time.wait(self._pace.write_to_read_s)
        text = self._line(deadline_ns)
        for _ in range(lines - 1):
            text += "\n" + self._line(deadline_ns)
        if not self._framer.is_clean:
            raise FramingError("bytes after the reply")
        return text

    def _line(self, deadline_ns: int) -> str:
        while (line := self._framer.next_line()) is None:
            self._framer.receive(self._wire.receive(deadline_ns))
        return _text(line)

    def _drop_echo(self, command: str) -> None:
        line = self._line(self._deadline(self._time.now_ns(), None))
        if line != command.strip():
            raise FramingError(f"the echo should have been {command!r}, it was {line!r}")

    def _deadline(self, from_ns: int, reply_s: float | None) -> int:
        patience_ns = self._reply_ns if reply_s is None else _ns(reply_s)
        self._longest_ns = max(self._longest_ns, patience_ns)
        return from_ns + patience_ns

    def _fill_block(self, framer: BlockFramer, deadline_ns: int) -> None:
        room = framer.room()
        if room is None:
            framer.receive(self._wire.receive(deadline_ns, framer.wants))
        else:
            framer.filled(self._wire.receive_into(room, deadline_ns))

    # what comes unasked

    def _take_what_came(self, *, keep: bool = True) -> None:
        if keep:
            self._keep_newest()
        while self._wire.waiting():
            self._framer.receive(self._wire.receive(self._time.now_ns() + self._reply_ns))
            if keep:
                self._keep_newest()

    def _drop_what_came(self) -> None:
        self._wire.drop_waiting()
        self._framer = self._new_framer()
        self._newest = self._refusal = None

    def _keep_newest(self) -> None:
        while (line := self._framer.next_line()) is not None:
            text = _text(line)
            if self._is_refusal(text):
                self._refusal = text
            else:
                self._newest = text, self._time.now_ns()

    def _raise_refused_meanwhile(self) -> None:
        text, self._refusal = self._refusal, None
        if text is not None:
            self._raise_refusal(text)

    # doubt

    def _reopen_and_greet(self) -> None:
        self._reopen(wait_out=True)
        self._greet()

    def _reopen(self, *, wait_out: bool) -> None:
        self._in_doubt = True
        if wait_out and self._wire.is_serial:
            self._time.wait(max(self._link.longest_reply_s, self._longest_ns / 1e9))
        self._framer = self._new_framer()
        self._newest = self._refusal = None
        self._longest_ns = 0
        self.generation += 1
        try:
            self._wire.reopen()
        except ConnectionError as error:
            raise self._failure(error) from error
        self._ready_at_ns = self._time.now_ns() + _ns(self._pace.after_open_s)
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

    def _new_framer(self) -> LineFramer:
        prompt = self._link.prompt.encode("ascii")
        return LineFramer(self._reply_end, self._link.longest_line, prompt)

    # what the instrument says about itself

    def _error_entry(self) -> ErrorEntry | None:
        words = self._dialect.errors
        assert words is not None
        answer = self.ask(words.ask)
        try:
            fields = words.reply.match(answer.text)
        except NotThisReplyError as error:
            self._in_doubt = True
            raise self.reply_error(str(error), answer.text) from error
        code = fields.get("code", answer.text)
        if not code.lstrip("+-").isdigit():
            return None if code in words.none else ErrorEntry(-1, code)
        number = int(code) & words.mask if words.kind == "register" else int(code)
        if number == 0 or code in words.none:
            return None
        return ErrorEntry(number, fields.get("text", "").strip())

    def _check_acknowledgement(self, command: str, text: str) -> None:
        self._raise_refusal(text)
        assert self._dialect.acknowledgement is not None
        try:
            self._dialect.acknowledgement.match(text)
        except NotThisReplyError as error:
            self._in_doubt = True
            raise self.reply_error(f"{command!r} was not acknowledged: {error}", text) from error

    def _is_refusal(self, text: str) -> bool:
        refusal = self._dialect.refusal
        return refusal is not None and refusal.reply.expression.fullmatch(text) is not None

    def _raise_refusal(self, text: str) -> None:
        refusal = self._dialect.refusal
        if refusal is None or not self._is_refusal(text):
            return
        meaning = refusal.meanings.get(refusal.reply.match(text).get("code", ""), "")
        raise self.refused(f"{text}: {meaning}" if meaning else text, text)

    @property
    def _who(self) -> tuple[str, str]:
        return self._wire.name, self._wire.resource

    def _failure(self, error: Exception, pending: bytes | None = None) -> InstrumentError:
        """Return one of our errors for one of the wire's."""
        partial = self._framer.pending if pending is None else pending
        if isinstance(error, ConnectionError):
            reason = str(error) or "the link is gone"
            return LinkLostError(*self._who, reason, sent=self._sent, received=partial)
        if isinstance(error, FramingError):
            return ReplyError(*self._who, str(error), sent=self._sent, received=partial[:200])
        hint = line_end_hint(partial, self._reply_end)
        hint = hint or ("" if partial else "; is it on, and does no other program talk to it?")
        reason = f"nothing whole came in time{hint}"
        return NoReplyError(*self._who, reason, sent=self._sent, received=partial)


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


def _text(data: bytes) -> str:
    """Latin-1 keeps every byte; a strange one then fails its pattern instead of the decoder."""
    return data.decode("latin-1")


def _bytes(text: str) -> bytes:
    return text.encode("latin-1", "replace")
