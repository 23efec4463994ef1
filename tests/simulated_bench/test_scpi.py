"""Program messages against IEEE 488.2-1992 and SCPI-1999 (clauses named at each check)."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_bench.scpi import (
    Block,
    Expression,
    InputBuffer,
    Number,
    Parameter,
    ScpiError,
    Text,
    Unit,
    Word,
    read_message,
)
from simulated_bench.scpi_headers import CommandTree, expand, spells


def units(message: str | bytes) -> list[Unit]:
    data = message.encode("latin-1") if isinstance(message, str) else message
    return list(read_message(data))


def parameters(message: str | bytes) -> tuple[Parameter, ...]:
    (unit,) = units(message)
    return unit.parameters


def refusal(message: str | bytes) -> int:
    with pytest.raises(ScpiError) as caught:
        units(message)
    return caught.value.code


@pytest.mark.parametrize(
    ("message", "nodes", "query", "absolute", "common"),
    [
        ("*IDN?", ("IDN",), True, False, True),
        (":SYST:ERR?", ("SYST", "ERR"), True, True, False),
        ("syst:err?", ("SYST", "ERR"), True, False, False),
        ("  OUTP ON", ("OUTP",), False, False, False),
        ("VOLT:PROT:CLE", ("VOLT", "PROT", "CLE"), False, False, False),
    ],
)
def test_headers_are_read_in_any_case_from_the_root_or_relative(
    message: str, nodes: tuple[str, ...], query: bool, absolute: bool, common: bool
) -> None:
    (unit,) = units(message)
    header = unit.header
    assert (header.nodes, header.query, header.absolute, header.common) == (
        nodes,
        query,
        absolute,
        common,
    )


# IEEE 488.2, 7.7.2 (decimal: NRf) and 7.7.4 (non-decimal: #H, #Q, #B).
@pytest.mark.parametrize(
    ("written", "value", "suffix"),
    [
        ("10", 10.0, ""),
        ("+1.0E+01", 10.0, ""),
        (".5", 0.5, ""),
        ("5.", 5.0, ""),
        ("-1.5e-3", -1.5e-3, ""),
        ("1 E 3", 1000.0, ""),
        ("10V", 10.0, "V"),
        ("100 mV", 100.0, "MV"),
        ("1 MOHM", 1.0, "MOHM"),
        ("#HFF", 255.0, ""),
        ("#q17", 15.0, ""),
        ("#B101", 5.0, ""),
    ],
)
def test_numbers_are_read_in_every_form_of_the_standard(
    written: str, value: float, suffix: str
) -> None:
    assert parameters(f"VOLT {written}") == (Number(value, suffix),)


def test_other_kinds_of_data_are_told_apart() -> None:
    assert parameters("A ON,\"x;y\",'it''s',(@101,102)") == (
        Word("ON"),
        Text("x;y"),
        Text("it's"),
        Expression("@101,102"),
    )


def test_a_definite_block_may_contain_semicolons_and_line_ends() -> None:
    # IEEE 488.2, 7.7.6.2: "#", number of digits, number of bytes, the bytes.
    assert InputBuffer().feed(b"DATA #15he\nlo;*IDN?\nX\n") == [b"DATA #15he\nlo;*IDN?", b"X"]
    first, second = units(b"DATA #15he\nlo;*IDN?")
    assert first.parameters == (Block(b"he\nlo"),)
    assert second.header.nodes == ("IDN",)


def test_an_indefinite_block_goes_to_the_end_of_the_message() -> None:
    # IEEE 488.2, 7.7.6.3: "#0" up to the terminator.
    assert InputBuffer().feed(b"DATA #0ab;c\n") == [b"DATA #0ab;c"]
    assert parameters(b"DATA #0ab;c") == (Block(b"ab;c"),)


# Numbers of SCPI-1999 volume 2, 21.8.9.
@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("VOLT 1 k\xce\xa9", -101),  # invalid character: a byte above 7Fh
        ("VOLT 1 0", -103),  # invalid separator: a comma was wanted
        ("VOLT 1,,2", -102),  # syntax error: an empty element
        ("VOLT 1,", -102),
        ("ABCDEFGHIJKLM 1", -112),  # mnemonic of more than 12 characters
        ("VOLT +", -121),  # invalid character in number
        ("VOLT 1E40000", -123),  # exponent above 32000
        ("VOLT " + "1" * 256, -124),  # more than 255 digits
        ("VOLT 1 ABCDEFGHIJKLM", -134),  # suffix of more than 12 characters
        ("OUTP ABCDEFGHIJKLM", -144),  # character data of more than 12 characters
        ('FUNC "VOLT', -151),  # string without its end
        ("DATA #3", -161),  # block head cut off
        ("DATA #15ab", -161),  # block shorter than announced
        ("ROUT:CLOS (@101", -170),  # expression without its end
        ('"', -101),
        ("VOLT:", -101),
    ],
)
def test_what_the_standard_forbids_is_refused_with_its_number(message: str, code: int) -> None:
    assert refusal(message) == code


def test_empty_units_and_empty_messages_are_nothing() -> None:
    # IEEE 488.2, 7.3.2: units may be empty between separators.
    assert units("") == []
    assert [u.header.nodes for u in units(";;*RST; ;*CLS;")] == [("RST",), ("CLS",)]


def test_a_message_that_is_too_long_is_dropped_whole_and_reported_once() -> None:
    buffer = InputBuffer(limit=256)
    assert buffer.feed(b"X" * 200) == []
    assert buffer.feed(b"X" * 200) == []
    assert buffer.overrun
    buffer.overrun = False
    assert buffer.feed(b"X" * 10 + b"\n*IDN?\n") == [b"*IDN?"]
    assert not buffer.overrun


@settings(deadline=None)
@given(
    st.lists(st.sampled_from([b"*IDN?\n", b"D #15he\nlo\n", b'F "a;b"\r\n', b"\n"]), max_size=6),
    st.lists(st.integers(1, 9), min_size=1, max_size=60),
)
def test_messages_do_not_depend_on_how_the_bytes_arrive(
    messages: list[bytes], sizes: list[int]
) -> None:
    stream = b"".join(messages)
    pieces, at = [], 0
    for size in sizes:
        pieces.append(stream[at : at + size])
        at += size
    pieces.append(stream[at:])
    whole, split = InputBuffer(), InputBuffer()
    assert [m for p in pieces for m in split.feed(p)] == whole.feed(stream)


@settings(deadline=None)
@given(st.binary(max_size=80))
def test_any_bytes_give_units_or_a_numbered_refusal(data: bytes) -> None:
    for message in InputBuffer().feed(data + b"\n"):
        with suppress(ScpiError):  # any other exception fails
            units(message)


def tree() -> CommandTree[str]:
    found: CommandTree[str] = CommandTree()
    for pattern in (
        "[SENSe:]VOLTage[:DC]:NPLCycles",
        "[SENSe:]VOLTage[:DC]:RANGe[:UPPer]",
        "[SENSe:]VOLTage[:DC]:RANGe[:UPPer]?",
        "MEASure:VOLTage[:DC]?",
        "MEASure:FRESistance?",
        "OUTPut<3>[:STATe]",
        "*RST",
    ):
        found.add(pattern, pattern)
    return found


def found(message: str) -> list[str | int]:
    path = tree().reader()
    answers: list[str | int] = []
    for unit in units(message):
        try:
            answers.append(path.find(unit)[0])
        except ScpiError as error:
            answers.append(error.code)
    return answers


NPLC, RANGE = "[SENSe:]VOLTage[:DC]:NPLCycles", "[SENSe:]VOLTage[:DC]:RANGe[:UPPer]"


@pytest.mark.parametrize(
    "message",
    ["VOLT:NPLC 1", "volt:dc:nplc 1", ":SENS:VOLTAGE:DC:NPLCYCLES 1", "SENSE:VOLT:NPLC 1"],
)
def test_short_long_and_optional_nodes_are_the_same_command(message: str) -> None:
    # SCPI-1999 volume 1, 6.2.1 and 5.1.
    assert found(message) == [NPLC]


@pytest.mark.parametrize("message", ["VOLTA:NPLC 1", "VOL:NPLC 1", "VOLT:NPLC? 1", "NPLC 1"])
def test_neither_short_nor_long_form_is_an_undefined_header(message: str) -> None:
    assert found(message) == [-113]


def test_a_relative_header_starts_where_the_last_one_ended() -> None:
    # SCPI-1999 volume 1, 6.2.4: the last node of the header before is dropped.
    assert found("VOLT:DC:RANG 10;NPLC 1;RANG?") == [RANGE, NPLC, RANGE + "?"]
    assert found("VOLT:NPLC 1;*RST;RANG 1") == [NPLC, "*RST", RANGE]
    assert found("VOLT:NPLC 1;:VOLT:RANG 1") == [NPLC, RANGE]
    assert found("MEAS:VOLT:DC?;FRES?") == ["MEASure:VOLTage[:DC]?", -113]
    assert found("MEAS:VOLT?;FRES?") == ["MEASure:VOLTage[:DC]?", "MEASure:FRESistance?"]


def test_numeric_suffixes_are_checked() -> None:
    path = tree().reader()
    assert path.find(units("OUTP2 ON")[0]) == ("OUTPut<3>[:STATe]", (2,))
    assert path.find(units(":OUTPUT ON")[0]) == ("OUTPut<3>[:STATe]", (1,))
    with pytest.raises(ScpiError, match="-114"):
        path.find(units(":OUTP4 ON")[0])


def test_patterns_expand_to_every_way_of_writing() -> None:
    assert set(expand("[A:]B[:C]:D")) == {
        ("A", "B", "C", "D"),
        ("A", "B", "D"),
        ("B", "C", "D"),
        ("B", "D"),
    }
    assert spells("imm", "IMMediate")
    assert spells("IMMEDIATE", "IMMediate")
    assert not spells("IMMED", "IMMediate")
