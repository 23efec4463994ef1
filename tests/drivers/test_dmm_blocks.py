"""Blocks of readings: IEEE 488.2 (clause 8.7.9) definite-length blocks and plain lists."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from acq.bench.bench_file import bench_file_from_text
from acq.bench.simulated import start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from drivers.dialect import load_dialect
from drivers.dialect_parts import Block, Step
from drivers.dmm import Dmm
from drivers.dmm_blocks import BlockReader, numbers_of
from drivers.errors import RefusedError


@pytest.fixture
def meter() -> Iterator[Dmm]:
    bench = start_simulated_bench("healthy")
    file = bench_file_from_text(bench.bench_text, "bench")
    assert file.simulation is not None
    time = SteppedTime(file.simulation.control)
    entry = file.instruments["dmm"]
    dialect = load_dialect(entry.dialect, Path())
    try:
        with Dmm.open("dmm", entry.resource, dialect, time) as dmm:
            yield dmm
    finally:
        time.end()


def test_blocks_follow_each_other_at_the_meters_pace(meter: Dmm) -> None:
    blocks = BlockReader(meter)
    blocks.begin("dc-voltage", 200, range_=0.1, plc=0.02, automatic_zero=False)
    first, second = blocks.take(), blocks.take()
    assert first.started_ns < first.ended_ns == second.started_ns < second.ended_ns
    each_s = (second.ended_ns - second.started_ns) / 200e9
    # 0.02 cycles of 20 ms and 1.5 ms to settle; what a block costs beyond that is < 2 readings
    assert 0.0019 <= each_s <= 0.0019 * (1 + 2 / 200)
    assert len(second.values) == 200
    assert len(set(second.values)) > 100  # each reading has its own noise
    assert second.raw == struct.pack(">200d", *second.values)
    blocks.end()
    single = meter.measure("dc-voltage", range_=0.1, plc=1.0)
    assert single.value == pytest.approx(sum(second.values) / 200, abs=2e-5)


def test_the_same_readings_one_by_one_and_in_a_block_agree(meter: Dmm) -> None:
    meter.configure("dc-voltage", range_=0.1, plc=1.0)
    one = [meter.measure("dc-voltage", range_=0.1, plc=1.0).value or 0.0 for _ in range(5)]
    blocks = BlockReader(meter)
    blocks.begin("dc-voltage", 5, range_=0.1, plc=1.0)
    many = blocks.take(again=False).values
    assert not blocks.running
    assert sum(many) / 5 == pytest.approx(sum(one) / 5, abs=2e-5)


def test_what_cannot_be_had_is_refused_before_anything_is_sent(meter: Dmm) -> None:
    blocks = BlockReader(meter)
    with pytest.raises(RefusedError, match="gives no blocks of resistance"):
        blocks.begin("resistance", 10, range_=1000.0, plc=1.0)
    with pytest.raises(RefusedError, match="holds 2 to 10000 readings, 10001 were wanted"):
        blocks.begin("dc-voltage", 10001, range_=0.1, plc=0.02)
    blocks.begin("dc-voltage", 2, range_=0.1, plc=0.02)
    blocks.take(again=False)
    with pytest.raises(RefusedError, match="no block was started"):
        blocks.take()


def _block(form: str, order: str = "big") -> Block:
    keys = {"form": form, "order": order, "start": "INIT", "fetch": "FETC?"}
    return Block.model_validate({**keys, "settings": (Step(tell="SAMP:COUN {count}"),)})


def test_forms_of_a_block() -> None:
    numbers = (1.5, -2.25, 9.9e37)
    assert list(numbers_of(_block("text"), b"1.5,-2.25,+9.9E+37")) == list(numbers)
    assert list(numbers_of(_block("real-64"), struct.pack(">3d", *numbers))) == list(numbers)
    assert list(numbers_of(_block("real-64", "little"), struct.pack("<3d", *numbers))) == [*numbers]
    assert list(numbers_of(_block("real-32"), struct.pack(">2f", 1.5, -2.25))) == [1.5, -2.25]
    with pytest.raises(ValueError, match="no whole real-64"):
        numbers_of(_block("real-64"), b"1234567")
    with pytest.raises(ValueError, match="is not a number"):
        numbers_of(_block("text"), b"1.5,nan")


def test_out_of_range_inside_a_block_is_a_limit_and_no_number(meter: Dmm) -> None:
    time = meter._time
    assert isinstance(time, SteppedTime)
    for terminal, lead in (("dmm HI", "Ex+"), ("dmm LO", "Ex-")):
        time.hand("clip", terminal=terminal, lead=lead)
    for terminal, lead in (("insulation +", "Ex+"), ("insulation -", "Ex-")):
        time.hand("clip", terminal=terminal, lead=lead)
    blocks = BlockReader(meter)
    blocks.begin("dc-voltage", 4, range_=0.1, plc=0.02)
    assert all(math.isfinite(value) for value in blocks.take(again=False).values)
    from drivers import dmm_blocks

    limits = dmm_blocks._limits([1.0, 9.9e37, -9.9e37, 9.91e37])
    assert limits == {1: "above", 2: "below", 3: "above"}
