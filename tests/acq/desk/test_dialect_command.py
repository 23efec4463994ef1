"""`bridgebench dialect check` and `dialect try`, on real ports."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode
from tests.drivers.instruments_met import Meter, PowerSupply, Relays
from tests.drivers.insulation_peers import StartPoll
from tests.drivers.peers import Peer, on_pty, on_tcp, words

MAIN = "import sys; from acq.desk.command_line import main; sys.exit(main())"
Capture = pytest.CaptureFixture[str]


def test_check_shows_what_would_be_sent_and_what_is_absent(capsys: Capture) -> None:
    assert run_command(["dialect", "check", "scpi-dmm-measure"]) is ExitCode.DONE
    said = capsys.readouterr().out
    assert "MEAS:FRES? 1,0.000001" in said
    assert "cannot: start and fetch, offset compensation" in said


def test_check_prints_one_document(capsys: Capture) -> None:
    assert run_command(["dialect", "check", "line-insulation-request", "--json"]) is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    assert document["role"] == "insulation"
    assert {"place": "insulation.start", "sent": "U0050", "awaited": ""} in document["sent"]
    assert any("no [identification]" in remark for remark in document["remarks"])


@pytest.mark.parametrize(
    ("text", "said"),
    [("role = 1", "role: allowed is 'dmm'"), ("role = ", "is not TOML"), (None, "no such file")],
)
def test_check_of_a_broken_file_is_wrong_input(
    text: str | None, said: str, tmp_path: Path, capsys: Capture
) -> None:
    file = tmp_path / "mine.toml"
    if text is not None:
        file.write_text(text)
    assert run_command(["dialect", "check", str(file)]) is ExitCode.WRONG_INPUT
    assert said in capsys.readouterr().err


def test_try_shows_every_byte_and_the_pattern_that_understood_it(capsys: Capture) -> None:
    with on_tcp(Peer(Meter())) as peer:
        arguments = ["dialect", "try", "scpi-dmm", "--resource", peer.resource]
        code = run_command([*arguments, "--quantity", "resistance", "--range", "1000"])
    assert code is ExitCode.DONE
    said = capsys.readouterr().out
    assert r"> CONF:FRES 1000\n" in said
    assert r"< +3.51000000E+02\n" in said
    assert "= (?P<value>{number}) -> 351.0, None" in said
    assert "EXAMPLE,METER,0417,1.0" in said


def test_try_says_why_no_pattern_matched_and_goes_on(capsys: Capture) -> None:
    meter = Meter()
    meter.reading = "350 apples"
    with on_pty(Peer(meter)) as peer:
        arguments = ["dialect", "try", "scpi-dmm-function", "--resource", peer.resource, "--json"]
        code = run_command([*arguments, "--quantity", "dc-voltage"])
    assert code is ExitCode.BENCH
    document = json.loads(capsys.readouterr().out)
    last = document["tried"][-1]
    assert last["what"] == "measure dc-voltage"
    assert "'350 apples' does not match" in last["failure"]


def test_nothing_is_switched_on_unless_told(capsys: Capture) -> None:
    supply = PowerSupply()
    with on_tcp(Peer(supply)) as peer:
        arguments = ["dialect", "try", "scpi-supply", "--resource", peer.resource]
        assert run_command(arguments) is ExitCode.DONE
        assert not any(line.startswith(("OUTP ", "VOLT ")) for line in peer.received)
        assert "Caution" not in capsys.readouterr().err
        assert run_command([*arguments, "--on", "1", "--limit", "0.02"]) is ExitCode.DONE
        assert "OUTP ON" in peer.received
    assert not supply.on
    captured = capsys.readouterr()
    assert "Caution: --on applies a voltage" in captured.err
    assert "off, and proven off" in captured.out


def test_a_test_voltage_is_applied_only_when_told_and_gone_afterwards(capsys: Capture) -> None:
    tester = StartPoll()
    with on_pty(Peer(tester, reply_end=b"\r\n")) as peer:
        arguments = ["dialect", "try", "line-insulation-start-poll", "--resource", peer.resource]
        assert run_command(arguments) is ExitCode.DONE
        assert not tester.on
        assert run_command([*arguments, "--on", "50"]) is ExitCode.DONE
    assert tester.volts() < 5.0
    assert "1250000000.0" in capsys.readouterr().out


def test_a_scanner_is_tried_with_one_channel(capsys: Capture) -> None:
    relays = Relays()
    with on_tcp(Peer(relays)) as peer:
        arguments = ["dialect", "try", "scpi-scanner", "--resource", peer.resource, "--on", "101"]
        assert run_command(arguments) is ExitCode.DONE
    assert "ROUT:CLOS (@101)" in peer.received
    assert not relays.closed
    assert "closed channels" in capsys.readouterr().out


def test_a_silent_port_is_a_bench_failure_with_what_was_sent(
    tmp_path: Path, capsys: Capture
) -> None:
    quick = tmp_path / "quick.toml"
    quick.write_text(
        'role = "thermometer"\nabout = "quick"\n[identification]\n[link]\nreply_s = 0.2\n'
        '[quantities.temperature]\nunit = "degC"\n[quantities.temperature.reading]\n'
        'ask = "T?"\nreply = "(?P<value>{number})"\n'
    )
    with on_tcp(Peer(words({}))) as peer:
        code = run_command(["dialect", "try", str(quick), "--resource", peer.resource])
    assert code is ExitCode.BENCH
    said = capsys.readouterr().out
    assert "FAILED: thermometer at TCPIP0" in said
    assert r"(sent '*IDN?\n', received nothing)" in said


def test_a_wrong_option_is_wrong_input(capsys: Capture) -> None:
    arguments = ["dialect", "try", "scpi-dmm", "--resource", "ASRL1::INSTR", "--option", "output"]
    assert run_command(arguments) is ExitCode.WRONG_INPUT
    assert "NAME=VALUE is needed" in capsys.readouterr().err


def test_a_refused_setting_ends_the_trial_before_the_output_is_switched_on(
    capsys: Capture,
) -> None:
    supply = PowerSupply()
    supply.settings["VOLT"] = "18"
    supply.actions["VOLT"] = lambda _: None  # it keeps what it had, and does not complain
    with on_tcp(Peer(supply)) as peer:
        arguments = ["dialect", "try", "scpi-supply", "--resource", peer.resource]
        code = run_command([*arguments, "--on", "25", "--limit", "0.1"])
    assert code is ExitCode.BENCH
    assert "OUTP ON" not in peer.received
    assert "OUTP OFF" in peer.received
    said = capsys.readouterr().out
    assert "FAILED: supply" in said
    assert "volts was set 25, it says 18" in said
    assert said.splitlines()[-1].strip() == "done"  # of: off, and proven off


@pytest.mark.parametrize(
    ("dialect", "given", "said"),
    [
        ("scpi-supply", ["--on", "nan"], "'nan' is no finite number"),
        ("scpi-supply", ["--on", "inf"], "'inf' is no finite number"),
        ("scpi-supply", ["--on", "1e400"], "'1e400' is no finite number"),
        ("scpi-supply", ["--on", "-5"], "a supply is not switched on with -5 V"),
        ("scpi-supply", ["--on", "5", "--limit", "0"], "--limit"),
        ("scpi-supply", ["--on", "5", "--limit", "nan"], "'nan' is no finite number"),
        (
            "line-insulation-request",
            ["--on", "-50"],
            "tester is not switched on with -50 V",
        ),
        ("scpi-scanner", ["--on", "nan"], "'nan' is no finite number"),
        ("scpi-scanner", ["--on", "101.5"], "a channel is a whole number, got 101.5"),
        ("scpi-dmm", ["--range", "-1"], "--range"),
        ("scpi-dmm", ["--range", "inf"], "'inf' is no finite number"),
        ("scpi-dmm", ["--plc", "0"], "--plc"),
    ],
)
def test_a_number_that_nothing_is_switched_on_with_is_refused_before_the_port_is_opened(
    dialect: str, given: list[str], said: str, capsys: Capture
) -> None:
    with on_tcp(Peer(words({}))) as peer:
        arguments = ["dialect", "try", dialect, "--resource", peer.resource, *given]
        assert run_command(arguments) is ExitCode.WRONG_INPUT
    assert not peer.connections
    told = capsys.readouterr().err
    assert said in told
    assert "mistake of ours" not in told


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_an_interrupted_trial_switches_off_and_proves_it(number: signal.Signals) -> None:
    supply = PowerSupply()
    measured = supply.answers["MEAS:VOLT?"]
    assert callable(measured)
    # while it is on a reading never ends
    supply.answers["MEAS:VOLT?"] = lambda: None if supply.on else measured()
    supply.answers["MEAS:CURR?"] = lambda: None
    with on_tcp(Peer(supply)) as peer:
        words = ["dialect", "try", "scpi-supply", "--resource", peer.resource, "--on", "5"]
        with subprocess.Popen(
            [sys.executable, "-c", MAIN, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as process:
            until = time.monotonic() + 60.0
            while "MEAS:CURR?" not in peer.received and time.monotonic() < until:
                time.sleep(0.02)
            process.send_signal(number)
            said, _ = process.communicate(timeout=60.0)
        assert "OUTP ON" in peer.received
    assert process.returncode == ExitCode.STOPPED
    assert not supply.on
    assert "off, and proven off" in said
    assert f"stopped by {number.name}" in said
    assert "NOT PROVEN" not in said


def test_a_supply_that_reads_nothing_is_not_told_to_have_channels(
    tmp_path: Path, capsys: Capture
) -> None:
    (tmp_path / "bare.toml").write_text(
        'role = "supply"\nabout = "bare"\n[supply]\n'
        'program = [{ tell = "V {volts}" }, { tell = "I {amps_limit}" }]\n'
        'on = [{ tell = "ON" }]\noff = [{ tell = "OFF" }]\n'
        '[safe_off]\ntell = ["OFF"]\nproof = [{ ask = "S?", reply = "OFF" }]\n'
    )
    assert run_command(["dialect", "check", str(tmp_path / "bare.toml")]) is ExitCode.DONE
    said = capsys.readouterr().out
    assert "channels" not in said
    assert "can: give volts, read neither of its meters" in said


@pytest.mark.parametrize(
    ("content", "why"), [(None, "no such file"), ("[x", "cannot be read as definitions")]
)
def test_definitions_of_simulated_instruments_that_cannot_be_used_are_one_line(
    content: str | None, why: str, tmp_path: Path, capsys: Capture
) -> None:
    file = tmp_path / "instruments.yaml"
    if content is not None:
        file.write_text(content)
    arguments = ["dialect", "try", "scpi-dmm", "--resource", "TCPIP::localhost::5025::SOCKET"]
    assert run_command([*arguments, "--library", f"{file}@sim"]) is ExitCode.BENCH
    captured = capsys.readouterr()
    assert why in captured.out
    assert "Traceback" not in captured.out + captured.err
