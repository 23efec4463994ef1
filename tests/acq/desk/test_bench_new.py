"""A bench file on the first morning: asked role by role, from manuals that are made up here."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acq.analysis.leads import Lead
from acq.bench.bench_file import bench_file_from_text, read_bench_file
from acq.bench.connections import Join
from acq.bench.simulated import SimulatedBench, start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.desk.command_line import bridgebench, run_command
from acq.errors import WrongInput

NONE = ""
ENDS = ""

DMM = [
    "GPIB",  # no resource name: asked again
    "TCPIP0::192.0.2.7::5025::SOCKET",
    "scpi-dnm",  # no such dialect: asked again
    "scpi-supply",  # another role's: asked again
    "scpi-dmm",
    "EXAMPLE,DMM.*",
    "bench meter (invented)",
    "0417",
    "C-1",
    "Example laboratory (invented)",
    "2026-13-01",  # no date: asked again
    "2026-01-15",
    "2027-01-15",
    "dc-voltage",
    "100 mV",
    "50 ppm + 35 ppm",
    "",
    "365",  # days
    "23 ± 5",
    "5 ppm + 1 ppm",
    "manual, page 12 (invented)",
    "resistance",
    "1 k",
    "0.01 % of reading + 3 digits",
    "1 mohm",
    "n",  # the rest is not as in the entry above
    "2",
    "",
    "",
    "",
    "",
    ENDS,
    "dc-voltage",  # corrections from the certificate
    "100 mV",
    "2",
    "10 mV; -0.2 uV",  # no uncertainty: asked again
    "10 mV; -0.2 uV; 0.6 uV",
    "0 mV; 0.1 uV; 0.4 uV",
    ENDS,
    "dc-voltage",  # the same range once more: refused
    "100 mV",
    "",
    "1 mV; 0; 0.4 uV",
    ENDS,
    ENDS,
]
SUPPLY = [
    "ASRL/dev/ttyUSB0::INSTR",
    "scpi-supply-select",
    "2",  # its output
    "",  # any identity
    ".",  # no more about its papers
    "voltage",
    "",
    "0.05 % + 5 mV",
    "",
    "",
    "",
    "",
    "",
    ENDS,
    ENDS,
]
INSULATION = ["hand", "a tester with a display", "0051", ".", ENDS]
SCANNER = ["TCPIP0::192.0.2.8::5025::SOCKET", "scpi-scanner", "", "."]
HYGROMETER = ["hand", ".", "relative-humidity", "", "2 %RH", "", "", "", "", "", ENDS, ENDS]
RELAYS = [
    "0.3",
    "1e-6",
    ".",
    "101 dmm HI Ex+",
    "101 dmm LO Ex-",
    "102 dmm XX Ex-",
    "201 dmm LO Ex-",
    "202 insulation + Ex+",
    "2101 dmm HI Ex+ position two",
    "2101 dmm HI Ex+ position 2",
    ENDS,
    "190 dmm HI",  # no pair: asked again
    "190 dmm HI / dmm LO",
    ENDS,
    "101",  # one channel: asked again
    "101 201",
    ENDS,
    "",  # the tester's voltage goes through relays: what they stand cannot be left out
    "150",
    "500 mA",  # of the supply, for the cells of two fixtures
]
WEIGHTS = ["y", "20", "10", "", "0.001", "2", "M1", ".", "n"]
ANSWERS = [
    "Bench of the test",
    "Europe/Nowhere",  # no such zone: asked again
    "Europe/Berlin",
    *DMM,
    NONE,  # second dmm
    *SUPPLY,
    *INSULATION,
    NONE,  # source
    *SCANNER,
    NONE,  # thermometer
    *HYGROMETER,
    NONE,  # barometer
    NONE,  # reference indicator
    *RELAYS,
    *WEIGHTS,
]  # fmt: skip


def new(*arguments: str, typed: list[str]) -> Result:
    lines = "\n".join(typed) + "\n"
    return CliRunner().invoke(
        bridgebench, ["bench", "new", *arguments], lines, standalone_mode=False
    )


def test_what_was_answered_is_read_back_from_the_file(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    result = new("-o", str(path), typed=ANSWERS)
    assert result.exit_code == 0, (result.exception, result.stderr)
    file = read_bench_file(path)
    assert (file.name, file.timezone) == ("Bench of the test", "Europe/Berlin")
    assert list(file.instruments) == ["dmm", "supply", "insulation", "scanner", "hygrometer"]
    dmm = file.instruments["dmm"]
    assert dmm.resource == "TCPIP0::192.0.2.7::5025::SOCKET"
    assert (dmm.dialect, dmm.identity) == ("scpi-dmm", "EXAMPLE,DMM.*")
    assert (dmm.serial, dmm.certificate) == ("0417", "C-1")
    assert (dmm.calibrated, dmm.due) == (date(2026, 1, 15), date(2027, 1, 15))
    volts, ohms = dmm.accuracy
    assert (volts.range, volts.reading_ppm, volts.range_ppm) == (0.1, 50.0, 35.0)
    assert volts.coverage_factor == pytest.approx(3**0.5)  # a limit of error, GUM 4.3.7
    assert volts.temperature_reading_ppm_per_K == 5.0
    assert volts.within_days == 365.0
    (correction,) = dmm.correction
    assert correction.range == 0.1
    points = [(each.at, each.correction, each.expanded_uncertainty) for each in correction.points]
    assert points == [(0.0, 1e-7, 4e-7), (0.01, pytest.approx(-2e-7), pytest.approx(6e-7))]
    assert volts.source == "manual, page 12 (invented)"
    assert (ohms.range, ohms.reading_ppm, ohms.digits) == (1000.0, 100.0, 3.0)
    assert ohms.resolution == pytest.approx(1e-3)
    assert ohms.coverage_factor == 2.0
    assert file.instruments["supply"].options == {"output": "2"}
    assert file.instruments["insulation"].by_hand
    assert file.instruments["hygrometer"].accuracy[0].absolute == 2.0
    assert file.connections.channels() == {
        Join("dmm HI", Lead.EX_PLUS): 101,
        Join("dmm LO", Lead.EX_MINUS): 201,
        Join("insulation +", Lead.EX_PLUS): 202,
        Join("dmm HI", Lead.EX_PLUS, 2): 2101,
    }
    assert file.instruments["supply"].maximum_amperes == 0.5
    (reversal,) = file.connections.reversal
    assert (reversal.channel, reversal.exchanges) == (190, (("dmm HI", "dmm LO"),))
    assert file.connections.exclusive == ((101, 201),)
    assert file.connections.defaults.maximum_volts == 150.0
    assert file.connections.defaults.contact_ohms == 0.3
    (weight,) = file.weights
    assert (weight.nominal_kilograms, weight.pieces, weight.accuracy_class) == (20.0, 10, "M1")


def test_a_wrong_answer_says_what_is_allowed(tmp_path: Path) -> None:
    said = new("-o", str(tmp_path / "bench.toml"), typed=ANSWERS).stderr
    for words in (
        "no time zone 'Europe/Nowhere'",
        "such as TCPIP0::HOST",
        "shipped are",
        "scpi-supply is for a supply",
        "channel 101 stands here twice",
        "no terminal 'dmm XX'",
        "three values between semicolons",
        "two tables of corrections",
        "such as 190 supply + / supply -",
        "two channel numbers or more",
        "maximum_volts is needed",
        "taken down: dc-voltage, 100 mV range: 50 ppm of reading + 35 ppm of range",
        "(largest error; 365 days; manual, page 12 (invented))",
        "written: ",
    ):
        assert words in said, words


def test_without_a_file_it_goes_to_standard_output_and_blanks_are_enough() -> None:
    result = new(typed=["", "", "hand", ".", ENDS, *[NONE] * 9, "n"])
    assert result.exit_code == 0, (result.exception, result.stderr)
    file = bench_file_from_text(result.stdout, "standard output")
    assert (file.name, file.timezone, list(file.instruments)) == ("Bench 1", "UTC", ["dmm"])


def test_a_bench_without_any_instrument_is_no_bench() -> None:
    result = new(typed=["", "", *[NONE] * 10, "n"])
    assert isinstance(result.exception, WrongInput)
    assert result.stdout == ""


def test_a_file_that_is_there_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("mine")
    assert run_command(["bench", "new", "-o", str(path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert path.read_text() == "mine"


def test_answers_that_are_broken_off_write_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    result = new("-o", str(path), typed=ANSWERS[:9])
    assert result.exit_code != 0
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def served() -> Iterator[SimulatedBench]:
    started = start_simulated_bench("healthy")
    yield started
    SteppedTime(started.control).end()


def test_an_instrument_that_is_reachable_is_asked_who_it_is_on_request(
    served: SimulatedBench, tmp_path: Path
) -> None:
    found = re.search(r'resource = "(TCPIP0::[^"]+)"', served.bench_text)
    assert found is not None
    path = tmp_path / "bench.toml"
    dmm = [found[1], "scpi-dmm", "?", "y", ".", ENDS]
    result = new("-o", str(path), typed=["", "", *dmm, *[NONE] * 9, "n"])
    assert result.exit_code == 0, (result.exception, result.stderr)
    assert "it says 'EXAMPLE,DMM 6.5,0417,1.0'" in result.stderr
    assert run_command(["bench", "check", str(path)]) == 0


def test_an_instrument_that_does_not_answer_leaves_the_question_open(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    dmm = ["TCPIP0::127.0.0.1::9::SOCKET", "scpi-dmm", "?", "EXAMPLE.*", ".", ENDS]
    result = new("-o", str(path), typed=["", "", *dmm, *[NONE] * 9, "n"])
    assert result.exit_code == 0, (result.exception, result.stderr)
    assert "dmm at TCPIP0::127.0.0.1::9::SOCKET" in result.stderr
    assert read_bench_file(path).instruments["dmm"].identity == "EXAMPLE.*"
