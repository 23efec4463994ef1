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
from drivers.errors import LinkLostError, NoReplyError, RefusedError, ReplyError
from drivers.framing import BlockFramer, FramingError, LineFramer, line_end_hint
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
        self._command_end = dialect.link.command_end.encode("ascii")
        self._reply_end = dialect.link.reply_end.encode("ascii")
        self._framer = self._new_framer()
        self._lock = threading.RLock()
        self._in_doubt = False
        self._greeting = False
        self._ready_at_ns = time.now_ns() + _ns(dialect.pace.after_open_s)
        self._sent = b""
        self._newest: tuple[str, int] | None = None
        self.stream_seen_ns = 0
        self.generation = 0
        self.greet: Callable[[], None] = lambda: None

    @property
    def role(self) -> str:
        return self._wire.name

    @property
    def resource(self) -> str:
        return self._wire.resource

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
        with self._guarded():
            self._greet()

    def make_sure(self) -> None:
        """Open a link in doubt again now, so that what depends on it is set anew."""
        with self._guarded():
            pass

    def ask(self, command: str, *, reply_s: float | None = None, lines: int = 1) -> Answer:
        """Send a query; return its whole reply within `reply_s` seconds of bench time."""
        with self._exchange(command) as started_ns:
            deadline_ns = self._deadline(reply_s)
            text = "\n".join(self._line(deadline_ns) for _ in range(lines))
            self._nothing_more()
        self.raise_refusal(text)
        return Answer(text, started_ns, self._time.now_ns())

    def tell(self, command: str, *, reply_s: float | None = None) -> None:
        """Send a command, and read its acknowledgement where the dialect has one."""
        with self._exchange(command):
            if self._dialect.acknowledgement is None:
                self._rest(0.0)
                return
            text = self._line(self._deadline(reply_s))
            self._nothing_more()
        self.raise_refusal(text)
        try:
            self._dialect.acknowledgement.match(text)
        except NotThisReplyError as error:
            raise RefusedError(*self._who, f"{command!r} was not acknowledged: {error}",
                               sent=self._sent, received=_bytes(text)) from error  # fmt: skip

    def ask_block(self, command: str, *, reply_s: float | None = None) -> bytearray:
        """Send a query; return the bytes of the IEEE 488.2 block that answers it."""
        with self._exchange(command):
            deadline_ns = self._deadline(reply_s)
            framer = BlockFramer(self._reply_end)
            block = None
            while block is None:
                self._fill_block(framer, deadline_ns)
                block = framer.block(message_ended=self._wire.message_ended)
        return block

    def newest_line(self, not_before_ns: int, within_s: float) -> Answer:
        """Return the newest whole line of a stream that came at or after `not_before_ns`.

        Waits for one at most `within_s`. Older lines are passed over.
        """
        with self._guarded():
            deadline_ns = self._time.now_ns() + _ns(within_s)
            self._take_what_came()
            while self._newest is None or self._newest[1] < not_before_ns:
                self._framer.receive(self._receive(deadline_ns))
                self._keep_newest()
                self._take_what_came()
            text, at_ns = self._newest
            self._newest, self.stream_seen_ns = None, at_ns
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
        return tuple(entry for entry in found if str(entry.code) not in words.ignore)

    def _error_entry(self, ask: str) -> ErrorEntry | None:
        words = self._dialect.errors
        assert words is not None
        answer = self.ask(ask)
        try:
            fields = words.reply.match(answer.text)
        except NotThisReplyError as error:
            self._in_doubt = True
            raise self.reply_error(str(error), answer.text) from error
        code = fields.get("code", answer.text)
        if code in words.none:
            return None
        number = int(code) if code.lstrip("+-").isdigit() else -1
        return ErrorEntry(number, fields.get("text", code).strip())

    def check_errors(self, commands: Sequence[str]) -> None:
        """Raise RefusedError when the instrument complains about what it was just told."""
        entries = self.errors()
        if entries:
            said = "; ".join(str(entry) for entry in entries)
            raise RefusedError(*self._who, f"{said} after {', '.join(map(repr, commands))}",
                               sent=self._sent, received=_bytes(said))  # fmt: skip

    def blurt(self, commands: Sequence[str], wake_s: float) -> None:
        """XX"""
        with self._lock:
            if self._in_doubt:
                self._reopen(wait_out=False)
            self._in_doubt = True
            try:
                self._send(b"")
                self._time.wait(wake_s)
                for command in commands:
                    self._rest(self._dialect.pace.between_commands_s)
                    self._send(command.encode("ascii"))
                self._time.wait(wake_s)
                while self._wire.waiting():
                    self._wire.receive(self._time.now_ns() + _ns(wake_s))
            except (TimeoutError, ConnectionError) as error:
                raise self._lost(error) from error
            self._framer = self._new_framer()
            self._in_doubt = False

    def doubt(self) -> None:
        """Say that what came cannot be trusted: the next exchange opens the link again."""
        self._in_doubt = True

    def reply_error(self, reason: str, text: str) -> ReplyError:
        """Return the error for a whole reply that is not what the dialect says."""
        return ReplyError(*self._who, reason, sent=self._sent, received=_bytes(text))

    def refused(self, reason: str, text: str = "") -> RefusedError:
        """Return the error for an instrument that did not do what it was told."""
        return RefusedError(*self._who, reason, sent=self._sent, received=_bytes(text))

    def no_reply(self, reason: str) -> NoReplyError:
        return NoReplyError(*self._who, reason, sent=self._sent)

    def close(self) -> None:
        with self._lock:
            self._wire.close()

    @property
    def _who(self) -> tuple[str, str]:
        return self._wire.name, self._wire.resource

    @contextmanager
    def _exchange(self, command: str) -> Iterator[int]:
        with self._guarded():
            if not self._dialect.link.free_running and self._wire.waiting():
                self._reopen(wait_out=True)  # somebody spoke unasked: a reply of before, doubled
                self._greet()
            self._rest(0.0)
            self._in_doubt = True
            started_ns = self._time.now_ns()
            self._send(command.encode("ascii"))
            self._drop_echo(command)
            self._rest_before_reading()
            yield started_ns
            self._in_doubt = False
            self._ready_at_ns = self._time.now_ns() + _ns(self._dialect.pace.between_commands_s)

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        """Hold the lock, make sure of the link, turn the wire's errors into ours."""
        with self._lock:
            try:
                if self._in_doubt and not self._greeting:
                    self._reopen(wait_out=True)
                    self._greet()
                yield
            except TimeoutError as error:
                raise self._silent() from error
            except ConnectionError as error:
                self._in_doubt = True
                raise self._lost(error) from error
            except FramingError as error:
                self._in_doubt = True
                raise self.reply_error(str(error), _text(self._framer.pending)) from error

    def _reopen(self, *, wait_out: bool) -> None:
        self._in_doubt = True
        if wait_out and self._wire.is_serial:
            self._time.wait(self._dialect.link.longest_reply_s)
        self._framer = self._new_framer()
        self._newest = None
        self.generation += 1
        self._wire.reopen()
        self._ready_at_ns = self._time.now_ns() + _ns(self._dialect.pace.after_open_s)
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

    def _send(self, command: bytes) -> None:
        self._sent = command + self._command_end
        self._wire.send(self._sent, self._deadline(None))

    def _drop_echo(self, command: str) -> None:
        if not self._dialect.link.echo:
            return
        deadline_ns = self._deadline(None)
        if (line := self._line(deadline_ns)) != command.strip():
            raise self.reply_error("the echo is not what was sent", line)

    def _line(self, deadline_ns: int) -> str:
        while (line := self._framer.next_line()) is None:
            self._framer.receive(self._receive(deadline_ns))
        return _text(line)

    def _receive(self, deadline_ns: int) -> bytes:
        return self._wire.receive(deadline_ns)

    def _nothing_more(self) -> None:
        if not self._dialect.link.free_running and not self._framer.is_clean:
            raise self.reply_error("bytes after the reply", _text(self._framer.pending))

    def _take_what_came(self) -> None:
        while self._wire.waiting():
            self._framer.receive(self._wire.receive(self._time.now_ns() + _ns(1.0)))
            self._keep_newest()

    def _keep_newest(self) -> None:
        while (line := self._framer.next_line()) is not None:
            self._newest = _text(line), self._time.now_ns()

    def _fill_block(self, framer: BlockFramer, deadline_ns: int) -> None:
        room = framer.room()
        if room is None:
            framer.receive(self._wire.receive(deadline_ns, framer.wants))
        else:
            framer.filled(self._wire.receive_into(room, deadline_ns))

    def _rest(self, seconds: float) -> None:
        left_ns = self._ready_at_ns - self._time.now_ns()
        if left_ns > 0 or seconds:
            self._time.wait(max(left_ns / 1e9, seconds))

    def _rest_before_reading(self) -> None:
        if self._dialect.pace.write_to_read_s:
            self._time.wait(self._dialect.pace.write_to_read_s)

    def _deadline(self, reply_s: float | None) -> int:
        patience = self._dialect.link.reply_s if reply_s is None else reply_s
        return self._time.now_ns() + _ns(patience)

    def _new_framer(self) -> LineFramer:
        return LineFramer(self._reply_end, self._dialect.link.longest_line)

    def raise_refusal(self, text: str) -> None:
        """Raise RefusedError when the line is the instrument's way to say no."""
        refusal = self._dialect.refusal
        if refusal is None:
            return
        try:
            fields = refusal.reply.match(text)
        except NotThisReplyError:
            return
        meaning = refusal.meanings.get(fields.get("code", ""), "")
        raise self.refused(f"{text}: {meaning}" if meaning else text, text)

    def _silent(self) -> NoReplyError:
        partial = self._framer.pending
        hint = line_end_hint(partial, self._reply_end)
        hint = hint or ("" if partial else "; is it on, and is no other program talking to it?")
        return NoReplyError(
            *self._who, f"nothing whole came in time{hint}", sent=self._sent, received=partial
        )

    def _lost(self, error: BaseException) -> LinkLostError:
        return LinkLostError(*self._who, str(error) or "the link is gone",
                             sent=self._sent, received=self._framer.pending)  # fmt: skip


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


def _text(data: bytes) -> str:
    """Latin-1 keeps every byte; a strange one then fails its pattern instead of the decoder."""
    return data.decode("latin-1")


def _bytes(text: str) -> bytes:
    return text.encode("latin-1", "replace")
