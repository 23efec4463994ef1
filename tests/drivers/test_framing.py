"""Bytes to whole replies: any split of the bytes gives the same replies."""

from __future__ import annotations

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.framing import BlockFramer, FramingError, LineFramer, line_end_hint

LINE_ENDS = [b"\n", b"\r\n", b"\r", b"\n\r"]
TEXT = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=30)


def split(data: bytes, cuts: list[int]) -> list[bytes]:
    places = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(places)]


def lines_of(framer: LineFramer, parts: list[bytes]) -> list[bytes]:
    found = []
    for part in parts:
        framer.receive(part)
        while (line := framer.next_line()) is not None:
            found.append(line)
    return found


@given(st.lists(TEXT, min_size=1, max_size=5), st.sampled_from(LINE_ENDS), st.lists(st.integers(0)))
def test_any_split_of_the_bytes_gives_the_same_lines(
    texts: list[str], end: bytes, cuts: list[int]
) -> None:
    data = b"".join(text.encode() + end for text in texts)
    framer = LineFramer(end)
    assert lines_of(framer, split(data, cuts)) == [text.encode() for text in texts]
    assert framer.is_clean


@given(TEXT, st.sampled_from(LINE_ENDS))
def test_half_a_line_is_never_handed_out(text: str, end: bytes) -> None:
    framer = LineFramer(end)
    framer.receive(text.encode() + end[:-1])
    assert framer.next_line() is None
    assert framer.pending == text.encode() + end[:-1]


@pytest.mark.parametrize(
    ("end", "data", "lines"),
    [
        pytest.param(b"\n", b"+1.2\r\n+1.3\r\n", [b"+1.2", b"+1.3"], id="CR before LF is dropped"),
        pytest.param(b"\n", b"+1.2\n\r+1.3\n\r", [b"+1.2", b"+1.3"], id="LF CR framed by LF"),
        pytest.param(b"\r", b"+1.2\r\n+1.3\r\n", [b"+1.2", b"+1.3"], id="CR LF framed by CR"),
        pytest.param(b"\n", b"\n\r\n  \n+1.2\n", [b"+1.2"], id="blank lines carry nothing"),
        pytest.param(b"\n", b"      350.12\n", [b"      350.12"], id="blanks in front stay"),
        pytest.param(b"\n", b"+1\x13\x11.2\n", [b"+1.2"], id="XOFF and XON inside"),
        pytest.param(b"\n", b"+1\x002\n", [b"+1\x002"], id="a NUL inside stays: a digit was there"),
        pytest.param(b"\n", b"\xb5V\n", [b"\xb5V"], id="bytes above 7Fh stay"),
    ],
)
def test_what_stands_round_a_line_is_dropped(end: bytes, data: bytes, lines: list[bytes]) -> None:
    assert lines_of(LineFramer(end), [data]) == lines


def test_a_prompt_before_the_next_line_is_dropped() -> None:
    framer = LineFramer(b"\r\n", prompt=b">")
    assert lines_of(framer, [b"5.00\r\n>", b"> 5.01\r\n>"]) == [b"5.00", b" 5.01"]
    assert framer.is_clean


def test_a_line_without_end_is_an_error_before_memory_is_full() -> None:
    framer = LineFramer(b"\n", longest=100)
    framer.receive(b"x" * 101)
    with pytest.raises(FramingError, match="no line end within 100 bytes"):
        framer.next_line()


def feed(framer: BlockFramer, parts: list[bytes]) -> bytes | None:
    for part in parts:
        room = framer.room()
        if room is not None and len(part) <= len(room):
            room[: len(part)] = part
            framer.filled(len(part))
        else:
            framer.receive(part)
    block = framer.block()
    return None if block is None else bytes(block)


@given(st.binary(max_size=300), st.integers(1, 9), st.lists(st.integers(0), max_size=6))
def test_any_split_of_a_definite_block_gives_the_same_bytes(
    content: bytes, digits: int, cuts: list[int]
) -> None:
    # IEEE 488.2-1992, 8.7.9: #, number of digits, length, bytes; NL ends the response message
    digits = max(digits, len(str(len(content))))
    data = b"#%d%0*d%b\n" % (digits, digits, len(content), content)
    assert feed(BlockFramer(b"\n"), split(data, cuts)) == content
    assert feed(BlockFramer(b"\n"), split(data[:-1], cuts)) is None


@given(st.binary(max_size=100))
def test_an_indefinite_block_ends_where_the_message_ends(content: bytes) -> None:
    # IEEE 488.2-1992, 8.7.10: #0, bytes, NL with END
    framer = BlockFramer(b"\n")
    framer.receive(b"#0" + content + b"\n")
    assert framer.block() is None
    block = framer.block(message_ended=True)
    assert block is not None
    assert bytes(block) == content


@pytest.mark.parametrize("data", [b"1.2\n", b"#x12\n", b"#2ab", b"#9999999999\n"])
def test_what_does_not_begin_like_a_block_is_an_error(data: bytes) -> None:
    framer = BlockFramer(b"\n")
    with pytest.raises(FramingError):
        framer.receive(data)


def test_bytes_after_a_block_are_an_error() -> None:
    framer = BlockFramer(b"\n")
    framer.receive(b"#15helloX")
    with pytest.raises(FramingError, match="bytes after the block"):
        framer.block()


def test_an_indefinite_block_without_line_end_is_an_error() -> None:
    framer = BlockFramer(b"\n")
    framer.receive(b"#0abc")
    with pytest.raises(FramingError, match="must end in LF"):
        framer.block(message_ended=True)


@pytest.mark.parametrize(
    ("partial", "awaited", "told"),
    [
        (b"+1.2\r", b"\n", "ends in CR"),
        (b"+1.2\n", b"\r\n", "ends in LF"),
        (b"+1.2", b"\n", "^$"),
        (b"", b"\n", "^$"),
    ],
)
def test_a_wrong_line_end_is_named(partial: bytes, awaited: bytes, told: str) -> None:
    assert re.search(told, line_end_hint(partial, awaited))
