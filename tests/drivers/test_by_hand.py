"""What a person types."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.by_hand import ByHand, HandPrompt, NotUnderstoodError, last_digit, parse_typed
from drivers.time import WallTime


@pytest.mark.parametrize(
    ("text", "unit", "shown", "value", "limit"),
    [
        ("350.12", "ohm", "", 350.12, None),
        ("350,12", "ohm", "", 350.12, None),
        ("0,125", "V", "", 0.125, None),
        ("  350.12 ohm ", "ohm", "", 350.12, None),
        ("350.12 \N{GREEK CAPITAL LETTER OMEGA}", "ohm", "", 350.12, None),
        ("0.35012k", "ohm", "", 350.12, None),
        ("0.35012 kohm", "ohm", "", 350.12, None),
        ("1.25 G", "ohm", "", 1.25e9, None),
        ("1.25", "ohm", "Gohm", 1.25e9, None),
        ("850 M", "ohm", "Gohm", 850e6, None),
        ("850 Mohm", "ohm", "Gohm", 850e6, None),
        (">20 G", "ohm", "", 20e9, "above"),
        ("> 20 G\N{GREEK CAPITAL LETTER OMEGA}", "ohm", "", 20e9, "above"),
        (">20", "ohm", "Gohm", 20e9, "above"),
        ("<10 k", "ohm", "", 10e3, "below"),
        ("open", "ohm", "", None, "above"),
        ("OL", "ohm", "", None, "above"),
        ("over range", "V", "", None, "above"),
        ("\N{MINUS SIGN}0.512 mV", "V", "", -0.512e-3, None),
        ("-0.512", "V", "mV", -0.512e-3, None),
        ("12 \N{MICRO SIGN}V", "V", "", 12e-6, None),
        ("1.2e-3", "V", "", 1.2e-3, None),
        ("23.1 \N{DEGREE SIGN}C", "degC", "", 23.1, None),
        ("23.1", "degC", "", 23.1, None),
        ("73.4 F", "degC", "", 23.0, None),
        ("296.15 K", "degC", "", 23.0, None),
        ("296,15K", "degC", "", 23.0, None),
        ("45 %", "percent", "", 45.0, None),
        ("1013.2 hPa", "Pa", "", 101320.0, None),
        ("2.0005 mV/V", "V/V", "", 2.0005e-3, None),
        ("2.0005", "V/V", "mV/V", 2.0005e-3, None),
    ],
)
def test_a_typed_reading_is_understood(
    text: str, unit: str, shown: str, value: float | None, limit: str | None
) -> None:
    found, side = parse_typed(text, unit, shown)
    assert side == limit
    if value is None:
        assert found is None
    else:
        assert found == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "why"),
    [
        ("", "ohm", "a number is needed"),
        ("---", "ohm", "a number is needed"),
        ("about 350", "ohm", "no number"),
        ("350 V", "ohm", "ohm is expected"),
        ("350 apples", "ohm", "no unit that is known"),
        ("1,234", "ohm", "decimal point or thousands"),
        ("1,234,567", "ohm", "decimal point or thousands"),
        ("12.3.4", "ohm", "no number"),
        ("35 0", "ohm", "no number"),
        ("350 kk", "ohm", "ohm is expected"),
        ("nan", "ohm", "no number"),
        ("inf V", "V", "no number"),
        ("1e400 V", "V", "out of all reason"),
        ("-1e400", "ohm", "out of all reason"),
        ("0e400", "ohm", "out of all reason"),
        (">1e400", "ohm", "out of all reason"),
        ("1e" + 5000 * "9", "ohm", "out of all reason"),
        (400 * "9", "ohm", "out of all reason"),
        ("5 MV", "V", "milli or mega"),
        ("5 M", "V", "milli or mega"),
        ("5 MA", "A", "milli or mega"),
        ("23 k", "percent", "no prefix"),
        ("23 m", "degC", "no prefix"),
    ],
)
def test_what_could_mean_something_else_is_asked_again(text: str, unit: str, why: str) -> None:
    with pytest.raises(NotUnderstoodError, match=why):
        parse_typed(text, unit)


@given(st.floats(-1e6, 1e6, allow_subnormal=False), st.sampled_from(["", "m", "k", "G"]))
def test_what_is_shown_with_a_prefix_comes_back(value: float, prefix: str) -> None:
    factor = {"": 1.0, "m": 1e-3, "k": 1e3, "G": 1e9}[prefix]
    found, _ = parse_typed(f"{value:.12g} {prefix}V", "V")
    assert found is not None
    assert math.isclose(found, value * factor, rel_tol=1e-11, abs_tol=1e-300)


class Person:
    """Types one answer after the other and remembers what was asked."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.asked: list[HandPrompt] = []

    def __call__(self, prompt: HandPrompt) -> str:
        self.asked.append(prompt)
        return self.answers.pop(0)


def test_a_reading_keeps_what_was_typed_and_the_range() -> None:
    person = Person("1.25")
    typed = ByHand("insulation", person, WallTime()).read(
        "insulation-resistance", "ohm", shown="Gohm", range_=20e9
    )
    assert (typed.value.value, typed.value.unit, typed.value.range) == (1.25e9, "ohm", 20e9)
    assert typed.value.raw == "1.25"
    assert not typed.was_corrected
    assert person.asked[0].text == "read insulation-resistance from the insulation, in Gohm"


def test_what_is_not_understood_is_asked_again_with_the_reason() -> None:
    person = Person("fifty", "350 V", "350.1")
    typed = ByHand("dmm", person, WallTime()).read("resistance", "ohm")
    assert typed.value.value == 350.1
    assert typed.typed == ("fifty", "350 V", "350.1")
    assert [prompt.problem != "" for prompt in person.asked] == [False, True, True]
    assert "ohm is expected" in person.asked[2].problem


def test_an_implausible_value_is_corrected_or_typed_twice() -> None:
    plausible = (340.0, 360.0)
    person = Person("35.01", "350.1")
    typed = ByHand("dmm", person, WallTime()).read("resistance", "ohm", plausible=plausible)
    assert typed.value.value == 350.1
    assert typed.was_corrected
    assert typed.typed == ("35.01", "350.1")
    person = Person("0.3", "0.3")
    typed = ByHand("dmm", person, WallTime()).read("resistance", "ohm", plausible=plausible)
    assert typed.value.value == 0.3
    assert "not between 340 and 360" in person.asked[1].problem


@pytest.mark.parametrize("text", [">20 G", "open", "5 G"])
def test_a_limit_on_the_good_side_is_plausible(text: str) -> None:
    person = Person(text)
    ByHand("insulation", person, WallTime()).read(
        "insulation-resistance", "ohm", plausible=(1e6, 100e9)
    )
    assert len(person.asked) == 1


def test_patience_ends() -> None:
    person = Person(*["?"] * 20)
    with pytest.raises(NotUnderstoodError, match="after 10 attempts"):
        ByHand("dmm", person, WallTime()).read("resistance", "ohm")


@pytest.mark.parametrize(
    ("text", "unit", "shown", "digit"),
    [
        ("385.13", "ohm", "", 0.01),
        ("385", "ohm", "", 1.0),
        ("385,13", "ohm", "", 0.01),
        ("20.0123", "V", "mV", 1e-7),
        ("1.25 G", "ohm", "Mohm", 1e7),
        ("2.500E+10", "ohm", "", 1e7),
        (">20 G", "ohm", "", 1e9),
        ("open", "ohm", "", None),
    ],
)
def test_the_size_of_the_last_typed_digit_is_known(
    text: str, unit: str, shown: str, digit: float | None
) -> None:
    if digit is None:
        assert last_digit(text, unit, shown) is None
    else:
        assert last_digit(text, unit, shown) == pytest.approx(digit, rel=1e-12)
