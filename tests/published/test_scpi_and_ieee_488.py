"""What the drivers read, against the standards of instrument remote control.

Numbers: IEEE 488.2-1992, 8.7.2 to 8.7.4 (NR1, NR2, NR3 response data) and 8.7.9 (definite length
arbitrary block). Errors: SCPI-1999, volume 2, chapter 21.8, numbers and texts. Special numbers:
SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5. Bits: IEEE 488.2-1992, 11.5.1.1, standard event status.
"""

from __future__ import annotations

import tomllib

import pytest

from drivers.complaints import error_entry
from drivers.dialect import Dialect
from drivers.framing import BlockFramer
from drivers.reply import NoValueYetError, ReplyShape
from drivers.scpi import ErrorEntry, parse_number
from drivers.written_file import check
from tests.drivers.shapes import METER

NUMBER = ReplyShape(pattern="(?P<value>{number})")


def meter(errors: str) -> Dialect:
    return check("meter.toml", tomllib.loads(METER + errors), Dialect)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("2", 2.0), ("+2", 2.0), ("-000731", -731.0),  # NR1: implicit point
        ("2.0", 2.0), ("+0.6", 0.6), ("-12.345", -12.345),  # NR2: explicit point
        ("1.23E+5", 123000.0), ("-9.8E-03", -9.8e-3), ("+1.0E+0", 1.0),  # NR3: with exponent
    ],
)  # fmt: skip
def test_numeric_response_data_is_read(text: str, value: float) -> None:
    assert parse_number(text) == value
    assert NUMBER.parse(text).value == value


@pytest.mark.parametrize(("text", "limit"), [("9.9E37", "above"), ("-9.9E+37", "below")])
def test_infinity_is_a_limit(text: str, limit: str) -> None:
    parsed = NUMBER.parse(text)
    assert (parsed.value, parsed.limit) == (None, limit)


def test_not_a_number_is_no_value() -> None:
    with pytest.raises(NoValueYetError):
        NUMBER.parse("9.91E37")


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ('-102,"Syntax error"', -102, "Syntax error"),
        ('-109,"Missing parameter"', -109, "Missing parameter"),
        ('-113,"Undefined header"', -113, "Undefined header"),
        ('-222,"Data out of range"', -222, "Data out of range"),
        ('-350,"Queue overflow"', -350, "Queue overflow"),
        ('-410,"Query INTERRUPTED"', -410, "Query INTERRUPTED"),
        ('-113,"Undefined header;OUTP:STTA ON"', -113, "Undefined header;OUTP:STTA ON"),
        ('-130,"Suffix error;""XY"" after 5"', -130, 'Suffix error;""XY"" after 5'),
        ('101,"Device dependent"', 101, "Device dependent"),
    ],
)
def test_an_entry_of_the_error_queue_is_a_number_and_a_text(
    text: str, code: int, said: str
) -> None:
    assert error_entry(meter("[errors]"), text) == ErrorEntry(code, said)


def test_zero_is_no_error() -> None:
    assert error_entry(meter("[errors]"), '0,"No error"') is None


@pytest.mark.parametrize(
    ("bit", "counts"),
    # operation complete, query error, device dependent, execution, command, user request, power on
    [(0, False), (2, True), (3, True), (4, True), (5, True), (6, False), (7, False)],
)
def test_the_error_bits_of_the_standard_event_status_count_and_no_others(
    bit: int, counts: bool
) -> None:
    words = meter('[errors]\nask = "*ESR?"\nkind = "register"\nreply = "(?P<code>[0-9]+)"\nmask=60')
    assert (error_entry(words, str(1 << bit)) is not None) is counts


@pytest.mark.parametrize(
    ("sent", "content"),
    [(b"#15hello\n", b"hello"), (b"#205hello\n", b"hello"), (b"#10\n", b"")],
)
def test_a_definite_length_block_says_its_length(sent: bytes, content: bytes) -> None:
    framer = BlockFramer(b"\n")
    framer.receive(sent)
    block = framer.block()
    assert block is not None
    assert bytes(block) == content
