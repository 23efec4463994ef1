"""Relays of an opened bench: what they stand is kept to, what they add stands in the reading."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from acq.analysis.leads import Lead
from acq.bench.bench import Bench, Excitation, Request
from acq.bench.bench_file import bench_file_from_text
from acq.bench.connections import bridge_leads, excitation, insulation, volts
from acq.bench.simulated import start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.errors import BenchFailure
from acq.runs.prompts import AskingHands
from acq.runs.technicians import AutomaticTechnician

ROLES = ["scanner", "dmm", "supply", "insulation"]
WEAK = "maximum_volts = 8.0"
TEST = insulation(bridge_leads(6), [Lead.HOUSING])
NOT_ABOVE = "stands 8 V only; nothing was switched on"


@pytest.fixture
def time(tmp_path: Path) -> Iterator[SteppedTime]:
    started = start_simulated_bench("healthy")
    (tmp_path / "bench.toml").write_text(started.bench_text, encoding="utf-8")
    led = SteppedTime(started.control)
    yield led
    led.end()


def opened(time: SteppedTime, folder: Path, maximum: str) -> Bench:
    text = (folder / "bench.toml").read_text(encoding="utf-8")
    assert "maximum_volts = 150.0" in text
    file = bench_file_from_text(text.replace("maximum_volts = 150.0", maximum), "bench.toml")
    return Bench(file, folder, time, ROLES, AskingHands(AutomaticTechnician(time).answer))


def test_no_voltage_goes_on_above_what_the_relays_stand(time: SteppedTime, tmp_path: Path) -> None:
    wanted = Excitation(volts=10.0, current_limit=0.04, protection_volts=11.0, remote_sense=True)
    with opened(time, tmp_path, WEAK) as bench:
        bench.connect(TEST)
        with pytest.raises(BenchFailure, match=f"insulation: 50 V, but .* {NOT_ABOVE}"):
            bench.apply_test_voltage(50.0)
        tester = bench.roles.tester().applied_volts()
        assert tester is not None
        assert tester.value is not None
        assert tester.value < 1.0
        bench.connect(excitation(6))
        with pytest.raises(BenchFailure, match=f"excitation: 11 V, but .* {NOT_ABOVE}"):
            bench.excite(wanted)
        assert bench.roles.supply().is_off()


def test_what_relays_add_stands_in_the_reading(time: SteppedTime, tmp_path: Path) -> None:
    with opened(time, tmp_path, "maximum_volts = 150.0") as bench:
        request = Request(quantity="dc-voltage", range_=0.1, plc=1.0)
        read = bench.read(request, volts(Lead.S_PLUS, Lead.S_MINUS))
        assert read.settings["relay_emf_volts"] == pytest.approx(2**0.5 * 1e-6)
        assert len(str(read.settings["relays"]).split(",")) == 2
        bench.connect(TEST)
        bench.apply_test_voltage(50.0)
        request = Request(quantity="insulation-resistance", role="insulation")
        tested = bench.read(request, TEST)
        leak = tested.settings["relay_leak_siemens"]
        assert isinstance(leak, float)
        assert 0.0 < leak < 1e-10
        bench.remove_test_voltage()
