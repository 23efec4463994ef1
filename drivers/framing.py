"""Whole replies out of a byte stream: lines and IEEE 488.2 blocks. No I/O, no clock.

Strategy: a framer is fed bytes as they come and hands out whole replies; None means "need more".
Half a line is never handed out. `wants` is a number of bytes that may safely be awaited.
"""

from __future__ import annotations

# What may stand round a line and means nothing: white space, NUL, XON (11h) and XOFF (13h),
# which arrive as data when one side was told to use no flow control.
MEANINGLESS = b" \t\r\n\v\f\x00\x11\x13"
FLOW = b"\x11\x13"
# In front of a line the same, but for blanks: they pad numbers, and a lost digit moves them.
CONTROL = MEANINGLESS.replace(b" ", b"")
_LINE_ENDS = {b"\n": "LF", b"\r": "CR", b"\x00": "NUL", b";": "a semicolon"}


class FramingError(ValueError):
    """The bytes cannot be a reply of the expected form; the stream is out of step."""


class LineFramer:
    """Lines that end in `terminator`; blank ones are passed over, they carry nothing."""

    def __init__(self, terminator: bytes, longest: int = 65536, prompt: bytes = b"") -> None:
        """`prompt` is what some instruments put in front of the next line, unasked."""
        self._terminator = terminator
        self._prompt = prompt
        self._longest = longest
        self._buffer = bytearray()
        self._searched = 0
        self.wants = 1

    @property
    def pending(self) -> bytes:
        """Bytes that are not yet part of a whole line."""
        return bytes(self._buffer)

    @property
    def is_clean(self) -> bool:
        """True when nothing of meaning is left over."""
        return not self._buffer or not self._without_prompt(self._buffer.strip(MEANINGLESS))

    def receive(self, data: bytes) -> None:
        self._buffer += data

    def next_line(self) -> bytes | None:
        """Return the next line that is not blank, or None for "need more".

        Raises FramingError when no terminator comes within the longest line.
        """
        while True:
            at = self._buffer.find(self._terminator, self._searched)
            if at < 0:
                self._searched = self._search_later_from()
                return None
            line = self._meaning_of(self._buffer[:at])
            del self._buffer[: at + len(self._terminator)]
            self._searched = 0
            if line:
                return line

    def drop_exactly(self, expected: bytes) -> bool:
        """Take these bytes from the front; False for "need more".

        Raises FramingError when something else is there.
        """
        if not expected.startswith(bytes(self._buffer[: len(expected)])):
            raise FramingError(f"the echo should have been {expected!r}: {self.pending!r}")
        if len(self._buffer) < len(expected):
            return False
        del self._buffer[: len(expected)]
        self._searched = 0
        return True

    def _meaning_of(self, line: bytearray) -> bytes:
        kept = line.translate(None, FLOW) if b"\x11" in line or b"\x13" in line else line
        if not kept.strip(MEANINGLESS):
            return b""
        return bytes(self._without_prompt(kept.rstrip(MEANINGLESS).lstrip(CONTROL)))

    def _without_prompt(self, line: bytearray) -> bytearray:
        while self._prompt and line.startswith(self._prompt):
            line = line[len(self._prompt) :].lstrip(CONTROL)
        return line

    def _search_later_from(self) -> int:
        if len(self._buffer) > self._longest:
            raise FramingError(f"no line end within {self._longest} bytes")
        return max(0, len(self._buffer) - len(self._terminator) + 1)


class BlockFramer:
    """One IEEE 488.2 block: definite `#<n><length><bytes>` or indefinite `#0<bytes>`.

    Clauses 8.7.9 and 8.7.10. A definite block is followed by the line end, which is swallowed.
    An indefinite one ends where the link says that the message ends; on a plain byte stream
    its end cannot be known.
    """

    def __init__(self, terminator: bytes, longest: int = 1 << 28) -> None:
        self._terminator = terminator
        self._longest = longest
        self._head = bytearray()
        self._body: bytearray | None = None
        self._filled = 0
        self._indefinite = False
        self._tail = bytearray()
        self.wants = 2

    @property
    def pending(self) -> bytes:
        body = b"" if self._body is None else bytes(self._body[: min(self._filled, 64)])
        return bytes(self._head) + body + bytes(self._tail)

    def room(self) -> memoryview | None:
        """Return where the next bytes of a definite block belong, so that they are copied once."""
        if self._body is None or self._indefinite or self._filled == len(self._body):
            return None
        return memoryview(self._body)[self._filled :]

    def filled(self, count: int) -> None:
        """Say that `count` bytes were put into `room()`."""
        self._filled += count
        self._next_want()

    def receive(self, data: bytes) -> None:
        """Take bytes; raises FramingError when they cannot begin a block."""
        if self._body is None:
            self._head += data
            self._open_block()
            return
        if self._indefinite:
            self._body += data
            return
        take = min(len(data), len(self._body) - self._filled)
        self._body[self._filled : self._filled + take] = data[:take]
        self._tail += data[take:]
        self.filled(take)

    def block(self, *, message_ended: bool = False) -> bytearray | None:
        """Return the block's bytes when it is whole, else None."""
        if self._body is None:
            return None
        if self._indefinite:
            return self._indefinite_block() if message_ended else None
        if self._filled < len(self._body):
            return None
        if self._terminator.startswith(bytes(self._tail)) and not message_ended:
            return self._body if bytes(self._tail) == self._terminator else None
        if self._tail.strip(MEANINGLESS):
            raise FramingError(f"bytes after the block: {bytes(self._tail[:20])!r}")
        return self._body

    def _indefinite_block(self) -> bytearray:
        assert self._body is not None
        if not self._body.endswith(b"\n"):
            raise FramingError("an indefinite block must end in LF with the end of the message")
        return self._body[:-1]

    def _open_block(self) -> None:
        text = bytes(self._head).lstrip(MEANINGLESS)
        if text and text[:1] != b"#":
            raise FramingError(f"a block begins with '#', got {text[:20]!r}")
        if len(text) < 2:
            return
        if not text[1:2].isdigit():
            raise FramingError(f"a block begins with '#' and a digit, got {text[:20]!r}")
        digits = int(text[1:2])
        if digits == 0:
            self._indefinite, self._body = True, bytearray(text[2:])
            return
        if len(text) < 2 + digits:
            self.wants = 2 + digits - len(text)
            return
        self._start_body(text[2 : 2 + digits], text[2 + digits :])

    def _start_body(self, length: bytes, rest: bytes) -> None:
        if not length.isdigit() or int(length) > self._longest:
            raise FramingError(f"no usable block length: {length!r}")
        self._body = bytearray(int(length))
        self._head.clear()
        self.receive(rest)

    def _next_want(self) -> None:
        assert self._body is not None
        left = len(self._body) - self._filled
        self.wants = left + len(self._terminator) if left else 1


def line_end_hint(partial: bytes, terminator: bytes) -> str:
    """Return what a wrong line end looks like from here, or nothing."""
    name = _LINE_ENDS.get(partial[-1:])
    if name is None:
        return ""
    return f"; what came ends in {name}, the dialect awaits {terminator!r} as line end"
