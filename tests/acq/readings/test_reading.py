"""A reading is kept exactly, and a number that is none never travels on as one."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.readings.reading import Reading
from tests.acq.readings.bench import reading


@given(st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=20))
def test_a_reading_comes_back_from_json_exactly(value: float, raw: str) -> None:
    one = Reading(
        quantity="dc-voltage",
        value=value,
        limit=None,
        unit="V",
        instrument="dmm",
        range_=0.1,
        plc=10.0,
        started_ns=1,
        ended_ns=2,
        raw=raw,
        settings={"autozero": True, "offset": value},
    )
    again = Reading.from_json(json.loads(json.dumps(one.to_json())))
    assert again == one
    assert hash(again) == hash(one)


def test_a_value_that_is_not_finite_is_refused() -> None:
    for value in (math.nan, math.inf):
        with pytest.raises(ValueError, match="must be finite"):
            reading("dc-voltage", value, 0.1)
    with pytest.raises(ValueError, match="must say its limit"):
        reading("dc-voltage", None, 0.1)


def test_only_a_value_without_limit_is_a_number() -> None:
    assert reading("dc-voltage", 0.0, 0.1).is_number
    assert not reading("insulation-resistance", 2e10, limit="above").is_number
    assert not reading("resistance", None, 1e3, limit="above").is_number
