"""How replies become values. Shapes met in practice; common practice, no source."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.reply import NotThisReplyError, NoValueYetError, ReplyShape
from drivers.scpi import identification_fields, parse_number, special_number

N = "(?P<value>{number})"
INSULATION = (
    r"(IR=)?((?P<limit>[<>]) ?)?(?P<value>{number}) ?(?P<prefix>{prefix})(?P<unit>OHM)"
    "|(?P<none>---)|(?P<above>OL|OVERLOAD)"
)
STATUS: dict[str, Any] = {
    "pattern": "(?P<status>[NOUX])?(?P<value>{number})(?P<glued>[A-Z]*)",
    "status": {"N": "good", "O": "above", "U": "below", "X": "bad"},
}


@pytest.mark.parametrize(
    ("shape", "reply", "unit", "value", "limit"),
    [
        pytest.param(N, "+1.23456789E-03", "V", 1.23456789e-3, None, id="NR3"),
        pytest.param(N, "350.1200", "ohm", 350.12, None, id="NR2"),
        pytest.param(N, "-7", "V", -7.0, None, id="NR1"),
        pytest.param(N, ".5", "V", 0.5, None, id="no digit before the point"),
        pytest.param(N, "5.", "V", 5.0, None, id="no digit after the point"),
        pytest.param(N, "+9.90000000E+37", "V", None, "above", id="infinity"),
        pytest.param(N, "-9.90000000E+37", "V", None, "below", id="negative infinity"),
        pytest.param(N, "9.9E37", "ohm", None, "above", id="short infinity"),
        pytest.param(N + " ?(?P<unit>[A-Za-z]+)", "1.2346 mV", "V", 1.2346e-3, None, id="milli"),
        pytest.param(N + " ?(?P<unit>[A-Za-z]+)", "1.2 V", "V", 1.2, None, id="unit"),
        pytest.param(N + " ?(?P<unit>[A-Za-z]+)", "350.1 OHM", "ohm", 350.1, None, id="ohm"),
        pytest.param(N + " ?(?P<unit>[A-Za-z]+)", "1.5 MOHM", "ohm", 1.5e6, None, id="megohm"),
        pytest.param(N + " ?(?P<unit>[A-Za-z]+)", "1.5 kOhm", "ohm", 1.5e3, None, id="kilohm"),
        pytest.param(N + " ?(?P<unit>.+)", "23.1 \xb0C", "degC", 23.1, None, id="degree sign"),
        pytest.param(N + " ?(?P<unit>.+)", "2.5 \xb5A", "A", 2.5e-6, None, id="micro sign"),
        pytest.param(N + "V", "05.00V", "V", 5.0, None, id="leading zero"),
        pytest.param(INSULATION, "IR=1.25E+09OHM", "ohm", 1.25e9, None, id="label and unit"),
        pytest.param(INSULATION, ">1000 MOHM", "ohm", 1e9, "above", id="more than"),
        pytest.param(INSULATION, "<0.01 MOHM", "ohm", 1e4, "below", id="less than"),
        pytest.param(INSULATION, "OL", "ohm", None, "above", id="a word for above"),
        pytest.param({"pattern": N, "scale": 1e6}, "1250", "ohm", 1.25e9, None, id="implied mega"),
        pytest.param({"pattern": N, "decimal": ","}, "12,5", "V", 12.5, None, id="decimal comma"),
        pytest.param(
            {"pattern": N, "sentinels": [{"value": 9999, "means": "above"}]},
            "9999", "ohm", None, "above", id="a number for above",
        ),
        pytest.param(
            {"pattern": N, "sentinels": [{"value": -9999, "means": "below"}]},
            "-9999", "ohm", None, "below", id="a number for below",
        ),
        pytest.param(
            {"pattern": N, "sentinels": [{"value": 9.91e37, "means": "above"}]},
            "9.91E37", "V", None, "above", id="not-a-number sent for above",
        ),
        pytest.param(N + r",\d+,(101)", "+1.5E+00,17,101", "V", 1.5, None, id="several fields"),
        pytest.param(
            {"pattern": r"\d+V\nI=(?P<value>{number})A", "lines": 2},
            "05V\nI=0.12A", "A", 0.12, None, id="two lines",
        ),
        pytest.param(
            {"pattern": r"(?P<value>\d{4})\d{4}[01]", "scale": 0.01},
            "050001430", "V", 5.0, None, id="packed digits",
        ),
        pytest.param(
            {"pattern": r"(?P<scale>\d)(?P<value>[+-]\d{5})", "scales": {"1": 1e-6, "2": 1e-5}},
            "2-01234", "V", -0.01234, None, id="counts worth what a digit says",
        ),
        pytest.param(
            r"(?P<value>\d{4}),(?P<exponent>[+-]\d\d)",
            "1250,+06", "ohm", 1.25e9, None, id="power of ten in its own field",
        ),
        pytest.param(STATUS, "N1.5DCV", "V", 1.5, None, id="status good, letters glued"),
        pytest.param(STATUS, "O9.9", "V", None, "above", id="status above"),
        pytest.param(STATUS, "U0.0", "V", None, "below", id="status below"),
        pytest.param(
            {"pattern": N + "(?P<unit>[A-Z]+)", "prefixes": {"M": 1e-3}},
            "5MV", "V", 5e-3, None, id="SCPI milli in capitals",
        ),
        pytest.param(
            {"pattern": N + "(?P<unit>.)", "units": {"\xea": "ohm"}},
            "350\xea", "ohm", 350.0, None, id="a sign of its own for ohm",
        ),
        pytest.param(
            {"pattern": N + "(?P<prefix>{prefix})V", "prefixes": {"M": 1e-3}},
            "5MV", "V", 5e-3, None, id="milli before a V of the pattern, as the file says",
        ),
        pytest.param(N + "(?P<prefix>{prefix})", "5M", "ohm", 5e6, None, id="mega"),
        pytest.param(N + " (?P<unit>F)", "73.4 F", "degC", 23.0, None, id="Fahrenheit"),
        pytest.param(N + " (?P<unit>K)", "296.15 K", "degC", 23.0, None, id="kelvin"),
        pytest.param(N + " (?P<unit>mV/V)", "2.0005 mV/V", "V/V", 2.0005e-3, None, id="mV/V"),
        pytest.param(N + " (?P<unit>hPa)", "1013.2 hPa", "Pa", 101320.0, None, id="hectopascal"),
    ],
)  # fmt: skip
def test_a_whole_reply_becomes_a_value_in_the_si_unit(
    shape: str | dict[str, Any], reply: str, unit: str, value: float | None, limit: str | None
) -> None:
    given_shape = {"pattern": shape} if isinstance(shape, str) else shape
    parsed = ReplyShape.model_validate(given_shape).parse(reply, unit)
    assert parsed.limit == limit
    if value is None:
        assert parsed.value is None
    else:
        assert parsed.value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("shape", "reply", "unit"),
    [
        pytest.param(N, "456E-03x", "V", id="letters after the number"),
        pytest.param(N, "1.2.3", "V", id="two points"),
        pytest.param(N, "nan", "V", id="nan"),
        pytest.param(N, "inf", "V", id="inf"),
        pytest.param(N, "1_000", "V", id="underscore"),
        pytest.param(N, "+1.5E+00,+1.6E+00", "V", id="two readings where one is awaited"),
        pytest.param(N, "", "V", id="nothing"),
        pytest.param(N + " (?P<unit>[A-Z]+)", "1.2 A", "V", id="unit of another function"),
        pytest.param(N + "(?P<unit>[A-Z]+)", "5MV", "V", id="M before V may be milli or mega"),
        pytest.param(N + "(?P<prefix>{prefix})V", "5MV", "V", id="M before a V of the pattern"),
        pytest.param(N + "(?P<prefix>{prefix})A", "5MA", "A", id="M before an A of the pattern"),
        pytest.param(N + "(?P<unit>[A-Z]+)", "5XV", "V", id="unknown unit"),
        pytest.param(STATUS, "X1.5", "V", id="bad status"),
        pytest.param(INSULATION, "ERR 3", "ohm", id="an error is no reading"),
        pytest.param(N, "1e999", "V", id="beyond any float"),
    ],
)
def test_anything_else_is_an_error_and_never_a_number(
    shape: str | dict[str, Any], reply: str, unit: str
) -> None:
    given_shape = {"pattern": shape} if isinstance(shape, str) else shape
    parsed = ReplyShape.model_validate({**given_shape, "special_numbers": False})
    with pytest.raises(NotThisReplyError):
        parsed.parse(reply, unit)


@pytest.mark.parametrize(
    ("shape", "reply"),
    [
        ({"pattern": N}, "9.91E37"),
        ({"pattern": INSULATION}, "---"),
        ({"pattern": N, "sentinels": [{"value": 0, "means": "none"}]}, "0"),
        ({"pattern": "(?P<status>N|-)(?P<value>{number})", "status": {"-": "none"}}, "-0.0"),
    ],
)
def test_no_value_is_told_apart_from_a_wrong_reply(shape: dict[str, Any], reply: str) -> None:
    with pytest.raises(NoValueYetError):
        ReplyShape.model_validate(shape).parse(reply)


@given(st.text(max_size=12))
def test_a_number_is_what_the_pattern_says_and_nothing_else(text: str) -> None:
    allowed = set("+-.0123456789eE")
    try:
        number = parse_number(text)
    except ValueError:
        return
    assert set(text.strip(" \t\r\n\v\f")) <= allowed
    assert number == float(text)


@pytest.mark.parametrize("damaged", ["+1.23E-0\x85", "+1.23E-0\xa0", "\xa01.23", "1.2\x1f"])
def test_a_damaged_digit_is_no_blank(damaged: str) -> None:
    with pytest.raises(NotThisReplyError):
        ReplyShape(pattern=N).parse(damaged)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_survives_its_text(value: float) -> None:
    assert parse_number(f"{value:.17g}") == value or math.isclose(parse_number(f"{value}"), value)


@pytest.mark.parametrize(
    "shape",
    [
        {"pattern": "("},
        {"pattern": ".*"},
        {"pattern": "(?P<status>.)(?P<value>{number})"},
        {"pattern": N, "lines": 0},
        {"pattern": N, "status": {"N": "fine"}},
        {"pattern": N, "no_such_key": 1},
    ],
)
def test_an_unusable_pattern_is_a_mistake_in_the_file(shape: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        ReplyShape.model_validate(shape)


@pytest.mark.parametrize(
    ("line", "fields"),
    [
        ("EXAMPLE,METER,0,01-02", ("EXAMPLE", "METER", "0", "01-02")),
        ("EXAMPLE, METER-U, SN 42, 1.2, OPT 1", ("EXAMPLE", "METER-U", "SN 42", "1.2", "OPT 1")),
        ('"EXAMPLE","METER",,"1"', ("EXAMPLE", "METER", "", "1")),
        ("SUPPLY V1.3", ("SUPPLY V1.3",)),
    ],
)  # fmt: skip
def test_an_identification_has_one_to_many_fields(line: str, fields: tuple[str, ...]) -> None:
    assert identification_fields(line) == fields


@pytest.mark.parametrize(
    ("value", "meaning"),
    [(9.9e37, "above"), (-9.9e37, "below"), (9.91e37, "not a number"), (8.9e37, None), (0.0, None)],
)
def test_special_numbers_of_scpi(value: float, meaning: str | None) -> None:
    # SCPI-1999, volume 1, 7.2.1.4 (infinity 9.9E37) and 7.2.1.5 (not a number 9.91E37)
    assert special_number(value) == meaning


def test_a_scale_or_power_of_ten_that_is_not_known_is_no_number() -> None:
    packed = ReplyShape(pattern=r"(?P<scale>\d)(?P<value>\d{5})", scales={"1": 1e-6})
    with pytest.raises(NotThisReplyError, match="scale '3'"):
        packed.parse("312345", "V")
    apart = ReplyShape(pattern=r"(?P<value>\d{4}),(?P<exponent>[+-]\d\d)")
    with pytest.raises(NotThisReplyError, match="out of all reason"):
        apart.parse("1250,+99", "ohm")
    with pytest.raises(ValidationError, match="belong together"):
        ReplyShape(pattern=r"(?P<scale>\d)(?P<value>\d{5})")
