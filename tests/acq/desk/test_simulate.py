"""`simulate` serves a bench that another command can use, and ends it with Ctrl-C."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

from acq.bench.bench_file import read_bench_file
from tests.bench_watch import BenchWatch

MAIN = "from acq.desk.command_line import main; main()"


def test_a_scenario_is_served_with_its_bench_file_until_ctrl_c(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    command = [sys.executable, "-P", "-c", MAIN, "simulate", "open-arm-a", "-o", str(bench)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert "open-arm-a is served" in process.stderr.readline()
        file = read_bench_file(bench)
        assert file.simulation is not None
        with BenchWatch(file.simulation.control) as watch:
            assert watch.energised() == []
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
    time.sleep(0.2)
    try:
        BenchWatch(file.simulation.control)
    except ConnectionRefusedError:
        return
    raise AssertionError("the bench goes on after its command has ended")
