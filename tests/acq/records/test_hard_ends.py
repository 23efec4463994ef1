"""Another writer that does not let go, and a process that is killed in the middle of it all."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from acq.errors import BenchFailure
from acq.records import engines
from acq.records.records import Records
from tests.acq.records.journals import long_run, small_run

DELIVERING = """
import sys
from acq.records.records import Records
from tests.acq.records.journals import long_run
with Records.open(sys.argv[1], simulated=True) as records:
    lines = long_run().lines
    for end in range(1, len(lines) + 1):
        records.deliver(lines[:end])
        print(end, flush=True)
"""


@pytest.mark.parametrize("after", [17])
def test_a_killed_process_leaves_records_that_are_sound_and_go_on(url: str, after: int) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", DELIVERING, url],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[3],
        text=True,
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if int(line) >= after:
                break
        process.send_signal(signal.SIGKILL)
    with Records.open(url, simulated=True) as records:
        assert records.verify().sound
        assert records.delivered_up_to("r-1") >= after - 4  # a check has five lines
        records.close_run(long_run().lines)
        assert len(records.history("T-000123")[0].findings) == 60
        assert records.verify().sound


def test_another_writer_that_never_ends_is_told_after_a_while(
    url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engines, "PATIENCE_S", 0.2)
    with Records.open(url, simulated=True) as records:
        other = create_engine(url)
        with other.connect() as connection:
            if other.dialect.name == "sqlite":
                connection.execute(text("BEGIN IMMEDIATE"))
            else:
                connection.execute(text(f"SELECT pg_advisory_xact_lock({engines._LOCK})"))
            with pytest.raises(BenchFailure, match=r"cannot be used: .*(lock|timeout)"):
                records.deliver(small_run().lines)
            assert records.delivered_up_to("r-1") == 0  # who only reads does not wait
        other.dispose()
        assert records.deliver(small_run().lines) == len(small_run().lines)
