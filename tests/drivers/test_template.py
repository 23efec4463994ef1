"""How values are written into commands. Formats met in practice; common practice, no source."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.scpi import parse_number, plain_decimal
from drivers.template import CannotSayError, Choice, Given, ValueFormat, fill, names_in


@pytest.mark.parametrize(
    ("template", "value", "form", "sent"),
    [
        ("VOLT {v}", 5.0, {}, "VOLT 5"),
        ("VOLT {v}", 0.0000012, {}, "VOLT 0.0000012"),
        ("VOLT {v}", -12.5, {}, "VOLT -12.5"),
        ("VOLT {v},(@2)", 5.0, {}, "VOLT 5,(@2)"),
        ("VSET1:{v}", 5.0, {"format": "05.2f"}, "VSET1:05.00"),
        ("VOLT{v}", 5.0, {"format": "03.0f", "scale": 10.0}, "VOLT050"),
        ("CURR {v}", 0.0123, {"format": ".1f", "scale": 1000.0}, "CURR 12.3"),
        ("CURR {v}", 0.3, {"format": "d", "scale": 1000.0}, "CURR 300"),
        ("CURR {v}", 0.01239, {"format": ".1f", "scale": 1000.0, "round": "down"}, "CURR 12.3"),
        ("OVP {v}", 5.01, {"format": ".1f", "round": "up"}, "OVP 5.1"),
        ("RANGE {v}", 0.25, {"format": "6.2f"}, "RANGE   0.25"),
        ("RES {v}", 1e-4, {"format": ".3E"}, "RES 1.000E-04"),
        ("SINK {v}", 0.004, {"scale": -1.0}, "SINK -0.004"),
        ("OUT{v}", True, {}, "OUTON"),
        ("H{v}", True, {"words": {"on": "0", "off": "1"}}, "H0"),
        ("H{v}", False, {"words": {"on": "0", "off": "1"}}, "H1"),
        (
            "R{v}",
            0.05,
            {"choices": ({"value": 0.1, "word": "1"}, {"value": 1.0, "word": "2"})},
            "R1",
        ),
        (
            "R{v}",
            0.3,
            {"choices": ({"value": 0.1, "word": "1"}, {"value": 1.0, "word": "2"})},
            "R2",
        ),
        ("NPLC {v}", 0.5, {"steps": (0.02, 1.0, 10.0)}, "NPLC 1"),
        ("INST {v}", "P6V", {}, "INST P6V"),
        ("INST {v}", "low", {"words": {"low": "OUT1", "high": "OUT2"}}, "INST OUT1"),
    ],
)
def test_a_value_is_written_as_the_instrument_needs_it(
    template: str, value: Given, form: dict[str, object], sent: str
) -> None:
    assert fill(template, {"v": value}, {"v": ValueFormat.model_validate(form)}) == sent


@pytest.mark.parametrize(
    ("value", "form", "why"),
    [
        (math.inf, {}, "finite"),
        (math.nan, {}, "finite"),
        (100.0, {"format": "03.0f", "scale": 10.0}, "does not fit"),
        (-0.1, {"format": "03.0f", "scale": 10.0}, "does not fit"),
        (31.0, {"most": 30.0}, "above the highest allowed, 30"),
        (5.0, {"least": 10.0}, "below the lowest allowed, 10"),
        (2.0, {"steps": (0.1, 1.0)}, "above the highest allowed, 1"),
        ("P25V", {"words": {"P6V": "1"}}, "may be P6V"),
    ],
)
def test_what_cannot_be_said_is_refused_before_it_is_sent(
    value: Given, form: dict[str, object], why: str
) -> None:
    with pytest.raises(CannotSayError, match=why):
        fill("X {v}", {"v": value}, {"v": ValueFormat.model_validate(form)})


def test_a_missing_value_is_refused_unless_a_word_stands_for_it() -> None:
    with pytest.raises(CannotSayError, match="needs a value for 'range'"):
        fill("MEAS? {range}", {}, {})
    assert fill("MEAS? {range}", {}, {"range": ValueFormat(otherwise="DEF")}) == "MEAS? DEF"


@pytest.mark.parametrize("template", ["{0}", "{a.b}", "{a:5}", "{a!r}", "{", "{a", "a}"])
def test_only_plain_names_stand_between_braces(template: str) -> None:
    with pytest.raises(ValueError, match=r"plain name|'\{'|'\}'"):
        names_in(template)


@pytest.mark.parametrize(
    "form",
    [
        {"format": "s"},
        {"format": "%5.2f"},
        {"format": "5.2f}{"},
        {"scale": 0.0},
        {"scale": math.inf},
        {"steps": (1.0,), "choices": (Choice(value=1.0, word="A"),)},
    ],
)
def test_an_unusable_format_is_a_mistake_in_the_file(form: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        ValueFormat.model_validate(form)


@given(st.floats(-1e12, 1e12, allow_subnormal=False))
def test_plain_decimals_have_no_exponent_and_nine_digits(value: float) -> None:
    text = plain_decimal(value)
    assert set(text) <= set("-.0123456789")
    assert math.isclose(parse_number(text), value, rel_tol=6e-9, abs_tol=1e-300)


@given(st.integers(0, 9999), st.integers(0, 3))
def test_packed_digits_come_back_as_the_value(number: int, places: int) -> None:
    scale = 10.0**places
    form = ValueFormat(format="04.0f", scale=scale)
    assert form.write("v", number / scale) == f"{number:04d}"
