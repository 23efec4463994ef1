"""A strict reader of program messages: SCPI-1999 on top of IEEE 488.2. No I/O.

Bytes become messages, a message becomes units (header and parameters); `scpi_headers` looks
their headers up. What the standard forbids raises `ScpiError` with the standard's number.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

MESSAGES = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -170: "Expression error",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -213: "Init ignored",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -241: "Hardware missing",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -440: "Query UNTERMINATED after indefinite response",
}
"""SCPI-1999 volume 2, section 21.8."""

MNEMONIC = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[ \t]*[Ee][ \t]*([+-]?\d+))?")
NON_DECIMAL = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))")
SUFFIX = re.compile(r"/?[A-Za-z][A-Za-z0-9./-]*")
LONGEST_MNEMONIC = 12  # IEEE 488.2, 7.6.1.4.1
LONGEST_NUMBER = 255  # SCPI-1999, error -124
LARGEST_EXPONENT = 32_000  # SCPI-1999, error -123


class ScpiError(Exception):
    """A mistake with its number of SCPI-1999; `detail` follows the message after a semicolon."""

    def __init__(self, code: int, detail: str = "") -> None:
        self.code = code
        self.text = MESSAGES[code] + (f";{detail}" if detail else "")
        super().__init__(f'{code},"{self.text}"')


@dataclass(frozen=True, slots=True)
class Number:
    """Decimal or non-decimal numeric data with its suffix in capitals, '' without one."""

    value: float
    suffix: str = ""


@dataclass(frozen=True, slots=True)
class Word:
    """Character data, as written."""

    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """String data without its quotes."""

    text: str


@dataclass(frozen=True, slots=True)
class Block:
    """Arbitrary block data without its head."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Expression:
    """Expression data without its parentheses."""

    text: str


Parameter = Number | Word | Text | Block | Expression


@dataclass(frozen=True, slots=True)
class Header:
    """A program header: mnemonics in capitals, from the root when `absolute`."""

    nodes: tuple[str, ...]
    query: bool
    absolute: bool = False
    common: bool = False


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit."""

    header: Header
    parameters: tuple[Parameter, ...]
    text: str


class InputBuffer:
    """Collects bytes until a program message terminator (LF); blocks may contain one.

    A message longer than `limit` bytes is dropped whole and reported as overrun.
    """

    def __init__(self, limit: int = 4096) -> None:
        self.limit = limit
        self.overrun = False
        self._held = b""
        self._dropping = False

    def clear(self) -> None:
        """Forget a half message."""
        self._held = b""
        self._dropping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Return the whole messages, without terminator; sets `overrun` when one was dropped."""
        self._held += data
        messages = []
        while (end := message_end(self._held)) is not None:
            message, self._held = self._held[:end], self._held[end + 1 :]
            if self._dropping or len(message) > self.limit:
                self.overrun = self.overrun or not self._dropping
                self._dropping = False
            else:
                messages.append(message)
        if len(self._held) > self.limit:
            self._held, self._dropping, self.overrun = b"", True, True
        return messages


def message_end(data: bytes) -> int | None:
    """Return where the terminator stands, None when the message is not whole yet."""
    at = 0
    quote = 0
    while at < len(data):
        byte = data[at]
        if byte == 0x0A:
            return at
        if quote:
            quote = 0 if byte == quote else quote
        elif byte in b"\"'":
            quote = byte
        elif byte == 0x23:
            at += _block_length(data[at:])
            continue
        at += 1
    return None


def _block_length(data: bytes) -> int:
    """Return how many bytes a definite block takes (IEEE 488.2, 7.7.6.2), 1 when it is none."""
    digits = data[1:2]
    if not digits.isdigit() or digits == b"0":
        return 1
    count = data[2 : 2 + int(digits)]
    if len(count) < int(digits):
        return len(data) if not count or count.isdigit() else 1
    return 2 + int(digits) + int(count) if count.isdigit() else 1


def read_message(message: bytes) -> Iterator[Unit]:
    """Yield the units of one program message; raises ScpiError at the first mistake.

    Bytes above 7Fh are invalid outside a block.
    """
    reader = _Reader(message.decode("latin-1"))
    while True:
        reader.skip_space()
        if reader.at_end():
            return
        if reader.peek() == ";":
            reader.at += 1
            continue
        yield reader.unit()


class _Reader:
    """A place in the text of one message, and what can be read there."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0

    def at_end(self) -> bool:
        return self.at >= len(self.text)

    def peek(self) -> str:
        return self.text[self.at] if self.at < len(self.text) else ""

    def skip_space(self) -> bool:
        start = self.at
        while self.at < len(self.text) and self.text[self.at] <= " ":
            self.at += 1
        return self.at > start

    def unit(self) -> Unit:
        start = self.at
        header = self._header()
        spaced = self.skip_space()
        parameters: list[Parameter] = []
        if not self.at_end() and self.peek() != ";":
            if not spaced:
                raise self._wrong(-101 if not self.peek().isalnum() else -103)
            parameters = self._parameters()
        text = self.text[start : self.at].strip()
        if self.peek() == ";":
            self.at += 1
        return Unit(header, tuple(parameters), text)

    def _header(self) -> Header:
        common = self.peek() == "*"
        absolute = self.peek() == ":"
        if common or absolute:
            self.at += 1
        nodes = [self._mnemonic()]
        while not common and self.peek() == ":":
            self.at += 1
            nodes.append(self._mnemonic())
        query = self.peek() == "?"
        if query:
            self.at += 1
        return Header(tuple(nodes), query, absolute, common)

    def _mnemonic(self) -> str:
        found = MNEMONIC.match(self.text, self.at)
        if found is None:
            raise self._wrong(-101)
        if len(found[0]) > LONGEST_MNEMONIC:
            raise ScpiError(-112, found[0])
        self.at = found.end()
        return found[0].upper()

    def _parameters(self) -> list[Parameter]:
        parameters = [self._parameter()]
        while True:
            self.skip_space()
            if self.at_end() or self.peek() == ";":
                return parameters
            if self.peek() != ",":
                raise self._wrong(-103 if "!" <= self.peek() <= "~" else -101)
            self.at += 1
            self.skip_space()
            parameters.append(self._parameter())

    def _parameter(self) -> Parameter:
        first = self.peek()
        if first in ("'", '"'):
            return self._string(first)
        if first == "(":
            return self._expression()
        if first == "#":
            return self._hash()
        if first.isascii() and first.isalpha():
            return self._word()
        if first and first in "+-.0123456789":
            return self._number()
        if first in ("", ",", ";"):
            raise ScpiError(-102)
        raise self._wrong(-101)

    def _word(self) -> Word:
        found = MNEMONIC.match(self.text, self.at)
        if found is None:
            raise ScpiError(-141)
        if len(found[0]) > LONGEST_MNEMONIC:
            raise ScpiError(-144, found[0])
        self.at = found.end()
        return Word(found[0])

    def _number(self) -> Number:
        found = NUMBER.match(self.text, self.at)
        if found is None:
            raise ScpiError(-121)
        self.at = found.end()
        if len(found[0]) > LONGEST_NUMBER:
            raise ScpiError(-124)
        if found[1] is not None and abs(int(found[1])) > LARGEST_EXPONENT:
            raise ScpiError(-123)
        return Number(float(re.sub(r"[ \t]", "", found[0])), self._suffix())

    def _suffix(self) -> str:
        before = self.at
        self.skip_space()
        found = SUFFIX.match(self.text, self.at)
        if found is None:
            self.at = before
            return ""
        if len(found[0]) > LONGEST_MNEMONIC:
            raise ScpiError(-134)
        self.at = found.end()
        return found[0].upper()

    def _hash(self) -> Parameter:
        found = NON_DECIMAL.match(self.text, self.at)
        if found is not None:
            self.at = found.end()
            digits, base = next(
                (d, b) for d, b in zip(found.groups(), (16, 8, 2), strict=True) if d
            )
            return Number(float(int(digits, base)))
        return self._block()

    def _block(self) -> Block:
        digits = self.text[self.at + 1 : self.at + 2]
        if digits == "0":  # indefinite: up to the terminator
            data, self.at = self.text[self.at + 2 :], len(self.text)
            return Block(data.encode("latin-1"))
        if not digits.isdigit():
            raise ScpiError(-161)
        head = self.at + 2
        count = self.text[head : head + int(digits)]
        if len(count) != int(digits) or not count.isdigit():
            raise ScpiError(-161)
        start = head + int(digits)
        data = self.text[start : start + int(count)]
        if len(data) != int(count):
            raise ScpiError(-161)
        self.at = start + int(count)
        return Block(data.encode("latin-1"))

    def _string(self, quote: str) -> Text:
        at = self.at + 1
        held = ""
        while True:
            end = self.text.find(quote, at)
            if end < 0:
                raise ScpiError(-151)
            held += self.text[at:end]
            if self.text[end + 1 : end + 2] != quote:
                break
            held += quote  # a doubled quote stands for one (IEEE 488.2, 7.7.5.2)
            at = end + 2
        self.at = end + 1
        return Text(held)

    def _expression(self) -> Expression:
        end = self.text.find(")", self.at)
        if end < 0:
            raise ScpiError(-170)
        inner, self.at = self.text[self.at + 1 : end], end + 1
        return Expression(inner)

    def _wrong(self, code: int) -> ScpiError:
        return ScpiError(code)
