"""The table of errors as found beside as left: what belongs together stands in one row."""

from __future__ import annotations

import pytest

from acq.certificates.chain_visit import of_both_rounds


@pytest.mark.parametrize(
    ("found", "left"),
    [
        ("I6-I7 display at 7.148 mA (as found)", "I6-I7 display at -3.2 mA (as left)"),
        (
            "I4-I5 current at 1.5928 mV/V (known load)",
            "I4-I5 current at 1.6100 mV/V (as left, known load)",
        ),
        (
            "I0-I3 box sum under the known load (known load after as found)",
            "I0-I3 box sum under the known load (as left, known load after as left)",
        ),
        (
            "I2 K-1 (input 1), signal pair lifted (as found)",
            "I2 K-1 (input 1), signal pair lifted (as left)",
        ),
    ],
)
def test_an_error_has_one_name_in_both_rounds(found: str, left: str) -> None:
    assert of_both_rounds(found) == of_both_rounds(left)


def test_what_was_fed_keeps_its_value_and_its_way() -> None:
    up = "I4-I5 0.5003 mV/V fed at the transmitter, current"
    assert of_both_rounds(up) == up
    assert of_both_rounds(up.replace(", current", ", current, falling")) != up
