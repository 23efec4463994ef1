"""A workshop's own dialect beside its bench file serves the run, its guardian and a resume."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from acq.bench.simulated import SimulatedBench, start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.desk.command_line import run_command
from drivers import dialect
from tests.conducting import QUICK

SHIPPED = Path(dialect.__file__).parent / "dialects"


@pytest.fixture
def served() -> Iterator[SimulatedBench]:
    started = start_simulated_bench("healthy")
    yield started
    if started.alive():
        SteppedTime(started.control).end()


def acceptance(bench: Path) -> int:
    arguments = ["run", "acceptance", "--cell", "B-011902", "--plan", str(QUICK)]
    return int(run_command([*arguments, "--bench", str(bench)]))


def test_a_run_keeps_the_dialects_beside_its_bench_file(
    served: SimulatedBench, tmp_path: Path, empty_home: Path
) -> None:
    own = tmp_path / "dialects" / "my-meter.toml"
    own.parent.mkdir()
    shutil.copyfile(SHIPPED / "scpi-dmm.toml", own)
    bench = tmp_path / "bench.toml"
    bench.write_text(served.bench_text.replace('"scpi-dmm"', '"dialects/my-meter.toml"'))
    assert acceptance(bench) == 0
    (run,) = (empty_home / "xdg_data_home" / "bridgebench" / "simulated-runs").iterdir()
    assert (run / "dialects" / "my-meter.toml").read_bytes() == own.read_bytes()


@pytest.mark.parametrize(
    ("name", "says"), [("none.toml", "no such file"), ("../mine.toml", "keep it beside")]
)
def test_a_dialect_that_cannot_be_kept_is_told_before_the_bench_is_touched(
    served: SimulatedBench,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
    says: str,
) -> None:
    folder = tmp_path / "here"
    folder.mkdir()
    shutil.copyfile(SHIPPED / "scpi-dmm.toml", tmp_path / "mine.toml")
    bench = folder / "bench.toml"
    bench.write_text(served.bench_text.replace('"scpi-dmm"', f'"{name}"'))
    assert acceptance(bench) == 2
    said = capsys.readouterr().err.strip()
    assert len(said.splitlines()) == 1
    assert says in said
