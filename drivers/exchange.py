"""One question and its reply: bytes out, whole lines or blocks in, at the instrument's pace.

Raises what the wire and the framers raise (TimeoutError, ConnectionError, FramingError). Knows no
doubt: whether an exchange may begin, and what a failed one means, is the conversation's.
"""

from __future__ import annotations

from drivers.dialect import Dialect
from drivers.framing import BlockFramer, FramingError, LineFramer
from drivers.scpi import BLANKS
from drivers.time import Time
from drivers.wire import Wire

WIRE_ERRORS = (TimeoutError, ConnectionError, FramingError)


class Exchange:
    """The bytes of one conversation, in order."""

    def __init__(self, wire: Wire, dialect: Dialect, time: Time) -> None:
        self._wire = wire
        self._time = time
        self._link = dialect.link
        self._pace = dialect.pace
        self.command_end = dialect.link.command_end.encode("ascii")
        self.reply_end = dialect.link.reply_end.encode("ascii")
        self._reply_ns = in_ns(dialect.link.reply_s)
        self._gap_ns = in_ns(dialect.pace.between_commands_s)
        self.sent = b""
        self.longest_ns = 0
        self._ready_at_ns = 0
        self._block: BlockFramer | None
        self.start_over()

    def start_over(self) -> None:
        """Forget all bytes of before: the link has just been opened."""
        prompt = self._link.prompt.encode("ascii")
        self._framer = LineFramer(self.reply_end, self._link.longest_line, prompt)
        self._block = None
        self.longest_ns = 0
        self._ready_at_ns = self._time.now_ns() + in_ns(self._pace.after_open_s)

    @property
    def pending(self) -> bytes:
        """Bytes that came and are not part of a whole reply."""
        return self._framer.pending if self._block is None else self._block.pending

    @property
    def is_clean(self) -> bool:
        return self._framer.is_clean

    def wait_until_ready(self) -> int:
        """Let the instrument have its rest; return when it is over."""
        now_ns = self._time.now_ns()
        if now_ns < self._ready_at_ns:
            self._time.wait((self._ready_at_ns - now_ns) / 1e9)
            now_ns = self._time.now_ns()
        return now_ns

    def send(self, command: str) -> int:
        """Send one command when the instrument is ready for it; return when."""
        now_ns = self.wait_until_ready()
        self.sent = command.encode("ascii") + self.command_end
        self._wire.send(self.sent, now_ns + self._reply_ns)
        if self._link.echo:
            self._drop_echo(command)
        return now_ns

    def send_line_end(self) -> None:
        """Send nothing but a line end: half a command that lies there ends with it."""
        self._wire.send(self.command_end, self._time.now_ns() + self._reply_ns)

    def reply(
        self, started_ns: int, reply_s: float | None, lines: int, *, greeting: bool = False
    ) -> str:
        """Return a whole reply, its lines joined by LF; nothing may come after it.

        In a `greeting` the lines are passed over that an instrument says by itself when it starts.
        """
        deadline_ns = self._deadline(started_ns, reply_s)
        if self._pace.write_to_read_s:
            self._time.wait(self._pace.write_to_read_s)
        text = self._line(deadline_ns)
        while greeting and self._is_banner(text):
            text = self._line(deadline_ns)
        for _ in range(lines - 1):
            text += "\n" + self._line(deadline_ns)
        if not self._framer.is_clean:
            raise FramingError("bytes after the reply")
        return text

    def block(self, started_ns: int, reply_s: float | None) -> bytearray:
        """Return the bytes of one IEEE 488.2 block."""
        deadline_ns = self._deadline(started_ns, reply_s)
        self._block = framer = BlockFramer(self.reply_end)
        while (found := framer.block(message_ended=self._wire.message_ended)) is None:
            room = framer.room()
            if room is None:
                framer.receive(self._wire.receive(deadline_ns, framer.wants))
            else:
                framer.filled(self._wire.receive_into(room, deadline_ns))
        self._block = None
        return found

    def done(self) -> int:
        """Say that all went well: the next command waits as long as the instrument needs."""
        now_ns = self._time.now_ns()
        self._ready_at_ns = now_ns + self._gap_ns
        return now_ns

    def take_what_came(self) -> None:
        """Take the bytes that are there, without waiting."""
        while self._wire.waiting():
            self._framer.receive(self._wire.receive(self._time.now_ns() + self._reply_ns))

    def take_more(self, deadline_ns: int) -> None:
        """Wait for bytes, and take them."""
        self._framer.receive(self._wire.receive(deadline_ns))

    def next_line(self) -> str | None:
        """Return the next whole line of those that were taken."""
        line = self._framer.next_line()
        return None if line is None else as_text(line)

    def drop_what_came(self) -> None:
        """Throw away all that is there."""
        self._wire.drop_waiting()
        longest_ns, ready_at_ns = self.longest_ns, self._ready_at_ns
        self.start_over()
        self.longest_ns, self._ready_at_ns = longest_ns, ready_at_ns

    def _line(self, deadline_ns: int) -> str:
        while (line := self._framer.next_line()) is None:
            self._framer.receive(self._wire.receive(deadline_ns))
        return as_text(line)

    def _is_banner(self, text: str) -> bool:
        banner = self._link.banner
        return banner is not None and bool(banner.expression.fullmatch(text.strip(BLANKS)))

    def _drop_echo(self, command: str) -> None:
        deadline_ns = self._deadline(self._time.now_ns(), None)
        if self._link.echo == "characters":
            while not self._framer.drop_exactly(self.sent):
                self._framer.receive(self._wire.receive(deadline_ns))
            return
        line = self._line(deadline_ns).strip(BLANKS)
        if line != command.strip():
            raise FramingError(f"the echo should have been {command!r}, it was {line!r}")

    def _deadline(self, from_ns: int, reply_s: float | None) -> int:
        patience_ns = self._reply_ns if reply_s is None else in_ns(reply_s)
        self.longest_ns = max(self.longest_ns, patience_ns)
        return from_ns + patience_ns


def in_ns(seconds: float) -> int:
    """Return seconds as the whole nanoseconds of a clock."""
    return round(seconds * 1e9)


def as_text(data: bytes) -> str:
    """Latin-1 keeps every byte; a strange one then fails its pattern instead of the decoder."""
    return data.decode("latin-1")


def as_bytes(text: str) -> bytes:
    """Return the bytes that a text came from."""
    return text.encode("latin-1", "replace")
