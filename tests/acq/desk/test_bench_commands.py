"""A bench as a technician meets it on a morning: who is there, what is due, what does it read."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from acq.bench.lock import BenchLock
from acq.bench.simulated import SimulatedBench, start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.desk.command_line import bridgebench, run_command
from tests.bench_watch import BenchWatch


def invoke(*arguments: str, typed: str = "") -> Result:
    return CliRunner().invoke(bridgebench, arguments, input=typed, standalone_mode=False)


@pytest.fixture(scope="module")
def served() -> Iterator[SimulatedBench]:
    started = start_simulated_bench("healthy")
    yield started
    SteppedTime(started.control).end()


@pytest.fixture
def bench(served: SimulatedBench, tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(served.bench_text)
    return path


def test_a_sound_bench_is_told_role_by_role(bench: Path, served: SimulatedBench) -> None:
    result = invoke("bench", "check", str(bench), "--json")
    assert result.return_value == 0, result.stderr
    document = json.loads(result.stdout)
    roles = {role["role"]: role for role in document["roles"]}
    assert set(roles) == {"dmm", "supply", "insulation", "scanner"}
    assert roles["dmm"]["identity"] == "EXAMPLE,DMM 6.5,0417,1.0"
    assert roles["dmm"]["due"] == "2026-11-02"
    assert roles["dmm"]["days_left"] == 245  # the scenario begins on 2026-03-02
    assert all(not role["failures"] and not role["complaints"] for role in roles.values())
    with BenchWatch(served.control) as watch:
        assert watch.energised() == []


def test_what_stood_in_an_error_queue_is_shown(bench: Path, served: SimulatedBench) -> None:
    time = SteppedTime(served.control)
    try:  # another program's mistake, left in the instrument
        _send(time, served, "dmm", b"NONSENSE\n")
    finally:
        time.close()
    document = json.loads(invoke("bench", "check", str(bench), "--json").stdout)
    (dmm,) = [role for role in document["roles"] if role["role"] == "dmm"]
    assert any("-113" in complaint for complaint in dmm["complaints"])


def _send(time: SteppedTime, served: SimulatedBench, wire: str, data: bytes) -> None:
    import socket

    found = re.search(
        rf"\[instruments.{wire}\]\nresource = \"TCPIP0::([^:]+)::(\d+)", _text(served)
    )
    assert found is not None
    with socket.create_connection((found[1], int(found[2]))) as link:
        time.opened(wire, link.getsockname()[1])
        link.sendall(data)
        time.sent(wire, len(data))
        time.wait(0.1)


def _text(served: SimulatedBench) -> str:
    return served.bench_text


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (r'resource = "TCPIP0::127.0.0.1::\d+', 'resource = "TCPIP0::127.0.0.1::9', "dmm at TCPIP"),
        (r'identity = "EXAMPLE,DMM', 'identity = "OTHER,DMM', "not the instrument of the bench"),
        (r"due = 2026-11-02", "due = 2026-02-01", "dmm: calibration overdue since 2026-02-01"),
        (
            r"calibrated = 2025-11-02",
            "calibrated = 2026-08-02",
            "calibrated 2026-08-02 is still to",
        ),
        (
            r"^\[instruments",
            "[[weights]]\nnominal_kilograms = 20\nserial = 'W1'\ndue = 2026-01-31\n[instruments",
            "calibration overdue: weights W1 of 20 kg since 2026-01-31",
        ),
        (r'dialect = "scpi-dmm"', 'dialect = "mine.toml"', "dmm: .*mine.toml: no such file"),
    ],
)
def test_each_role_that_is_not_fit_gets_one_line_and_the_others_are_still_looked_at(
    bench: Path, old: str, new: str, says: str
) -> None:
    bench.write_text(re.sub(old, new, bench.read_text(), count=1, flags=re.MULTILINE))
    result = invoke("bench", "check", str(bench))
    assert result.return_value == 3
    lines = [line for line in result.stderr.splitlines() if line.startswith("bridgebench:")]
    assert len(lines) == 1
    assert re.search(says, lines[0])
    assert "EXAMPLE,MATRIX 11X8" in result.stdout
    if "TCPIP" in says:  # who did not answer has not said that it has no errors
        (row,) = [line for line in result.stdout.splitlines() if "127.0.0.1::9" in line]
        assert row.endswith("not asked")
    assert "not on this bench: second-dmm, source, thermometer" in result.stdout


def test_a_reading_has_its_unit_its_uncertainty_and_its_raw_text(bench: Path) -> None:
    ranged = ("bench", "read", "dmm", "dc-voltage", "--range", "10", "--bench", str(bench))
    document = json.loads(invoke(*ranged, "--json").stdout)
    assert document["unit"] == "V"
    assert document["range"] == 10.0
    assert float(document["raw"]) == document["value"]
    # 35 ppm of reading + 5 ppm of 10 V, rectangular, on nearly nothing: 29 uV and some noise
    accuracy = _accuracy(bench, "dc-voltage", 10.0)
    least = accuracy["range_ppm"] * 1e-5 * accuracy["offset_share"] / 3**0.5
    assert document["standard_uncertainty"] == pytest.approx(least, rel=0.2)
    text = invoke(*ranged)
    assert re.search(
        r"dmm dc-voltage: .* mV, standard uncertainty .*, range 10 V, raw", text.stdout
    )
    assert "SIMULATED" in text.stdout


def _accuracy(bench: Path, quantity: str, range_: float) -> dict[str, Any]:
    import tomllib

    entries = tomllib.loads(bench.read_text())["instruments"]["dmm"]["accuracy"]
    return next(e for e in entries if e["quantity"] == quantity and e["range"] == range_)


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["dmm", "pressure"], 2, "read is dc-voltage"),
        (["scanner", "resistance"], 2, "nothing is read from it"),
        (["thermometer", "temperature"], 2, "has no thermometer; it has dmm"),
        (["insulation", "insulation-resistance"], 3, "not measuring"),
    ],
)
def test_what_cannot_be_read_is_said_in_one_line(
    bench: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    says: str,
) -> None:
    assert run_command(["bench", "read", *arguments, "--bench", str(bench)]) == code
    assert says in capsys.readouterr().err


def test_an_accuracy_that_nobody_wrote_down_leaves_the_uncertainty_open(bench: Path) -> None:
    result = invoke("bench", "read", "insulation", "dc-voltage", "--bench", str(bench), "--json")
    assert json.loads(result.stdout)["standard_uncertainty"] is None
    assert "states no accuracy of insulation for dc-voltage" in result.stderr


def test_a_bench_is_named_by_its_variable(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("BRIDGEBENCH_BENCH", str(bench))
    assert run_command(["bench", "read", "supply", "voltage"]) == 0
    assert "supply voltage: " in capsys.readouterr().out
    monkeypatch.delenv("BRIDGEBENCH_BENCH")
    assert run_command(["bench", "read", "supply", "voltage"]) == 2
    assert "which bench?" in capsys.readouterr().err


def test_a_person_reads_what_has_no_link() -> None:
    by_hand = ("bench", "read", "dmm", "dc-voltage", "--simulated", "--scenario", "all-by-hand")
    automatic = json.loads(invoke(*by_hand, "--range", "0.1", "--json").stdout)
    assert automatic["settings"] == {"by_hand": True, "last_digit": pytest.approx(1e-7)}
    typed = invoke(*by_hand, "--range", "0.1", "--json", "--prompts", typed="\n12.5\n")
    document = json.loads(typed.stdout)
    assert document["value"] == pytest.approx(12.5e-3)
    # 0.1 mV was the last digit that was typed: it is the largest part
    assert document["standard_uncertainty"] == pytest.approx(1e-4 / 12**0.5, rel=0.01)
    assert "in mV" in typed.stderr


def test_a_bench_that_a_run_holds_is_left_alone(
    bench: Path, served: SimulatedBench, capsys: pytest.CaptureFixture[str]
) -> None:
    from acq.bench.lock import BenchLock

    lock = BenchLock(served.control)
    try:
        assert run_command(["bench", "check", str(bench)]) == 3
        assert "in use by" in capsys.readouterr().err
    finally:
        lock.release()


def test_ports_are_found_by_a_name_that_stays(tmp_path: Path) -> None:
    from drivers.finding import FoundPort, serial_ports

    result = invoke("bench", "find", "--json")
    document = json.loads(result.stdout)
    assert document["lan"] is None  # not asked, nothing sent
    devices = [port["device"] for port in document["serial"]]
    assert devices == sorted(devices)
    for port in serial_ports():  # whatever this computer has: a link of our own names it
        (tmp_path / "usb-Example_Adapter_0001-if00").symlink_to(port.device)
        again = next(each for each in serial_ports(tmp_path) if each.device == port.device)
        assert again.resource == f"ASRL{tmp_path}/usb-Example_Adapter_0001-if00::INSTR"
        break
    assert FoundPort("/dev/ttyX", "", "", "").resource == "ASRL/dev/ttyX::INSTR"


def test_a_bench_that_was_left_on_is_switched_off_and_proven(
    bench: Path, served: SimulatedBench
) -> None:
    time = SteppedTime(served.control)
    try:  # what a run leaves behind that was killed together with both its guardians
        _send(time, served, "supply", b"CURR 0.02;:VOLT 5;:OUTP ON\n")
    finally:
        time.close()
    with BenchWatch(served.control) as watch:
        assert watch.energised() != []
        result = invoke("bench", "off", str(bench))
        assert result.return_value == 0, result.stderr
        assert "supply: off, proven" in result.stdout
        assert watch.energised() == []


def test_a_bench_of_a_run_is_not_switched_off_behind_its_back(
    bench: Path, served: SimulatedBench
) -> None:
    lock = BenchLock(served.control)
    try:
        assert run_command(["bench", "off", str(bench)]) == 3
    finally:
        lock.release()
