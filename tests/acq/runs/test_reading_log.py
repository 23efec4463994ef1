"""The log of readings: what was acknowledged is there, whatever ended the writer."""

from __future__ import annotations

import hashlib
import math
import os
import random
import signal
import struct
from array import array
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.errors import BenchFailure, WrongInput
from acq.runs.logged import About, blocks, rows_of, whole_part
from acq.runs.reading_log import FIRST_LINE, Kind, ReadingLog, Row
from drivers.dmm_blocks import ValueBlock

SECOND = 1_000_000_000


def row(n: int) -> Row:
    return Row(n % 3, n * 1000, n * 1000 + 900, n * 1e-6, None, f"+{n}E-6")


def burst(values: list[float], started_ns: int = 0) -> ValueBlock:
    raw = struct.pack(f">{len(values)}d", *values)
    return ValueBlock(
        "dc-voltage", "V", 0.1, array("d", values), {}, raw, "real-64 big", started_ns,
        started_ns + len(values) * 100,
    )  # fmt: skip


def everything(path: Path) -> list[tuple[int, int, float, str]]:
    found = []
    for block in blocks(path):
        if block.kind in (Kind.ROWS, Kind.BURST):
            rows = rows_of(block)
            found += [
                (rows.first + k, int(rows.channels[k]), float(rows.values[k]), rows.raws[k])
                for k in range(block.rows)
            ]
    return found


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=50))
def test_readings_come_back_as_they_were_put_in(
    tmp_path_factory: pytest.TempPathFactory, values: list[float]
) -> None:
    path = tmp_path_factory.mktemp("log") / "readings.log"
    log = ReadingLog(path, new=True)
    for k, value in enumerate(values):
        log.add(Row(1, k, k + 1, value, None, repr(value)))
    kept = log.keep(0, at_once=True)
    log.close()
    assert everything(path) == [(k, 1, value, repr(value)) for k, value in enumerate(values)]
    assert kept.rows == len(values)
    assert kept.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_rows_bursts_gaps_and_notes_keep_their_order_and_count(tmp_path: Path) -> None:
    path = tmp_path / "readings.log"
    log = ReadingLog(path, new=True)
    log.note({"utc_ns": 5 * SECOND, "bench_ns": 2 * SECOND}, 0)
    log.add(Row(0, 0, 5, None, "above", "9.9E37"))
    log.add(Row(0, 5, 9, 7.0, "below", "<7"))
    log.add_burst(1, burst([1.0, 2.0, -9.9e37], 100))
    log.gap(400, 900, "the relay moved")
    log.add(row(3))
    log.keep(0, at_once=True)
    log.close()
    found = list(blocks(path))
    assert [(b.kind.name, b.first) for b in found] == [
        ("NOTE", 0), ("ROWS", 0), ("BURST", 2), ("GAP", 5), ("ROWS", 5)
    ]  # fmt: skip
    rows, fast = rows_of(found[1]), rows_of(found[2])
    assert rows.limits == ["above", "below"]
    assert math.isnan(rows.values[0])
    assert rows.values[1] == 7.0
    assert list(fast.started_ns) == [100, 200, 300]
    assert list(fast.ended_ns) == [200, 300, 400]
    assert fast.limits == [None, None, "below"]
    assert (found[3].from_ns, found[3].to_ns, found[3].content) == (400, 900, b"the relay moved")
    about = About()
    about.take(found[0].note())
    assert str(about.utc(0)) == "1970-01-01T00:00:03.000000000"


def test_it_is_kept_at_most_once_a_second_and_acknowledged_only_then(tmp_path: Path) -> None:
    log = ReadingLog(tmp_path / "readings.log", new=True)
    assert log.keep(0).rows == 0
    log.add(row(1))
    assert log.keep(SECOND // 2).rows == 0
    assert log.rows == 1
    assert log.keep(SECOND).rows == 1
    log.close()


@pytest.mark.parametrize("seed", range(40))
def test_a_file_cut_anywhere_goes_on_where_it_was_whole(tmp_path: Path, seed: int) -> None:
    path, draw = tmp_path / "readings.log", random.Random(seed)
    log, ends = ReadingLog(path, new=True), [(0, len(FIRST_LINE))]
    for k in range(6):
        log.add_all([row(10 * k + n) for n in range(10)])
        kept = log.keep(0, at_once=True)
        ends.append((kept.rows, kept.bytes))
    log.close()
    whole = path.read_bytes()
    cut = draw.randrange(len(FIRST_LINE), len(whole) + 1)
    path.write_bytes(whole[:cut] + draw.choice([b"", b"\0" * 100]))
    again = ReadingLog(path, new=False)
    assert again.rows == max(rows for rows, size in ends if size <= cut)
    again.add_all([row(n) for n in range(again.rows, 60)])
    kept = again.keep(0, at_once=True)
    again.close()
    assert kept.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert [each[0] for each in everything(path)] == list(range(60))


def test_a_wrong_bit_inside_is_told_and_not_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "readings.log"
    log = ReadingLog(path, new=True)
    for k in range(3):
        log.add_all([row(k)] * 5)
        log.keep(0, at_once=True)
    log.close()
    data = bytearray(path.read_bytes())
    data[len(FIRST_LINE) + 60] ^= 1
    path.write_bytes(data)
    with pytest.raises(WrongInput, match=f"is damaged at byte {len(FIRST_LINE)}"):
        list(blocks(path))
    path.write_bytes(b"time,value\n1,2\n")
    with pytest.raises(WrongInput, match="is no log of readings"):
        list(blocks(path))


def test_nothing_acknowledged_is_lost_by_a_kill(tmp_path: Path) -> None:
    """The child says what was acknowledged after it was; it is struck at a random moment."""
    path, (told, say) = tmp_path / "readings.log", os.pipe()
    child = os.fork()
    if child == 0:
        log, n = ReadingLog(path, new=True), 0
        while True:
            log.add_all([row(n + k) for k in range(100)])
            n += 100
            os.write(say, struct.pack("<Q", log.keep(0, at_once=True).rows))
    acknowledged = 0
    for _ in range(50):
        acknowledged = struct.unpack("<Q", os.read(told, 8))[0]
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    os.set_blocking(told, False)
    while more := _read(told):
        acknowledged = more
    whole = whole_part(path, hashlib.sha256())
    assert acknowledged <= whole.rows <= acknowledged + 100
    assert [each[0] for each in everything(path)] == list(range(whole.rows))
    os.close(told)
    os.close(say)


def test_what_is_acknowledged_was_told_to_the_disk_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut cannot be had in a test; that the system was asked to write before can be."""
    synced: list[int] = []
    of_the_system = os.fdatasync

    def asked(file: int) -> None:
        of_the_system(file)
        synced.append(os.fstat(file).st_size)

    monkeypatch.setattr(os, "fdatasync", asked)
    log = ReadingLog(tmp_path / "readings.log", new=True)
    for n in range(3):
        log.add_all([row(100 * n + k) for k in range(100)])
        kept = log.keep(0, at_once=True)
        assert kept.rows == 100 * (n + 1)
        assert len(synced) == n + 1
        assert synced[-1] == kept.bytes
    log.close()


def _read(told: int) -> int:
    try:
        data = os.read(told, 8)
    except BlockingIOError:
        return 0
    return int(struct.unpack("<Q", data)[0]) if len(data) == 8 else 0


def test_a_full_disk_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(BenchFailure, match=r"readings\.log cannot be opened"):
        ReadingLog(tmp_path / "nowhere" / "readings.log", new=True)
