"""A thermometer on the bench: limits, instruments and diagnosis know the room's temperature."""

from __future__ import annotations

from pathlib import Path

import pytest

from acq.readings.measured import is_number
from acq.readings.specification import Accuracy
from acq.readings.uncertainty import Uncertainties
from acq.runs.journal import read_journal
from tests.acq.readings.bench import reading
from tests.bench_watch import BenchWatch
from tests.conducting import Trial


def test_the_room_is_read_told_and_used(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "run", "two-meters")
    try:
        assert trial.conduct() == 0
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    got = [
        line.content["got"]
        for line in read_journal(trial.folder.journal)[0]
        if "got" in line.content
    ]
    kept = [each for each in got if isinstance(each, dict)]
    findings = {each["name"]: each for each in kept if "conformity" in each}
    room = findings["room temperature"]
    assert room["value"] == pytest.approx(23.0, abs=3.0)
    assert 0.0 < room["expanded_uncertainty"] < 1.0
    sources = [limit["source"] for limit in findings["resistance Ex+ Ex-"]["limits"]]
    assert any("K from the sheet's" in source for source in sources)
    assert not any("is not known" in source for source in sources)
    (told,) = (each for each in kept if "faults" in each and "cannot_see" in each)
    assert told["faults"][0]["fault"] == "none-found"
    assert not any("temperature is not stated" in line for line in told["cannot_see"])


def test_a_meter_in_a_hot_room_is_less_sure() -> None:
    # the manual's way: ppm of reading per kelvin outside 23 +- 5 degC, rectangular (GUM 4.3.7)
    warm = Accuracy(
        quantity="resistance", range=1e3, reading_ppm=50.0, temperature_reading_ppm_per_K=10.0
    )
    bench = Uncertainties({"dmm": (warm,)})
    before = bench.of(reading("resistance", 500.0, 1e3))
    bench.bench_is_at(33.0, 1.0)
    after = bench.of(reading("resistance", 500.0, 1e3))
    assert is_number(before)
    assert is_number(after)
    kelvins = 33.0 + 1.0 - 28.0
    outside = 500.0 * 10e-6 * kelvins / 3.0**0.5
    assert after.u == pytest.approx((before.u**2 + outside**2) ** 0.5, rel=1e-9)
