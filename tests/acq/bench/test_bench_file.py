"""Mistakes in a bench file: one line each, with file or bench and key, and no link opened."""

from __future__ import annotations

from pathlib import Path

import pytest

from acq.bench.bench_file import bench_file_from_text
from acq.bench.instruments import dialect_of
from acq.desk.command_line import run_command
from drivers.written_file import FileError

BASE = """
name = "Bench 1"
[instruments.dmm]
resource = "TCPIP0::127.0.0.1::9::SOCKET"
dialect = "scpi-dmm"
"""


@pytest.mark.parametrize(
    ("text", "key", "reason"),
    [
        (BASE + "[instruments.multimeter]\nby_hand = true\n", "instruments", "no role 'multim"),
        (BASE + 'due = "soon"\n', "instruments.dmm.due", "got 'soon'"),
        (BASE + 'colour = "red"\n', "instruments.dmm.colour", "no such key here"),
        (BASE + "by_hand = true\n", "instruments.dmm", "keep one of them"),
        (BASE + 'identity = "EXAMPLE(,"\n', "instruments.dmm.identity", "no regular expression"),
        (BASE + "[[weights]]\npieces = 2\n", "weights.0.nominal_kilograms", "is missing"),
        (BASE.replace("[", 'timezone = "Here"\n[', 1), "timezone", "no time zone 'Here'"),
        (
            BASE + '[[instruments.dmm.accuracy]]\nquantity = "volts"\n',
            "instruments.dmm.accuracy.0.quantity",
            "allowed is 'dc-voltage'",
        ),
        (
            BASE + '[[instruments.dmm.accuracy]]\nquantity = "dc-voltage"\nrange_ppm = 5\n',
            "instruments.dmm.accuracy.0",
            "needs the key range",
        ),
        (
            BASE + '[[connections.relay]]\nchannel = 101\nterminal = "dmm HI"\nlead = "Ex+"\n',
            "",
            "connections.relay is given but instruments.scanner is not",
        ),
        (
            BASE + '[[instruments.dmm.accuracy]]\nquantity = "dc-voltage"\n',
            "instruments.dmm.accuracy",
            "dc-voltage, every range: states no limit of error",
        ),
        (
            BASE + 2 * ('[[instruments.dmm.accuracy]]\nquantity = "dc-voltage"\nabsolute = 1e-3\n'),
            "instruments.dmm.accuracy",
            "dc-voltage, every range: two entries for the same time",
        ),
        (
            BASE + "[[weights]]\nnominal_kilograms = 20\nconventional_kilograms = 200\n",
            "weights.0",
            "conventional_kilograms 200 is not near nominal_kilograms 20",
        ),
        (
            BASE
            + "[[weights]]\nnominal_kilograms = 20\ncalibrated = 2026-02-01\ndue = 2026-01-01\n",
            "weights.0",
            "due 2026-01-01 is before calibrated 2026-02-01",
        ),
        (BASE + "= 5\n", "", "is not TOML"),
        ("", "name", "is missing"),
    ],
)
def test_a_mistake_is_named_with_file_and_key(text: str, key: str, reason: str) -> None:
    with pytest.raises(FileError) as caught:
        bench_file_from_text(text, "bench.toml")
    assert caught.value.file == "bench.toml"
    assert caught.value.key == key
    assert reason in caught.value.reason
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "key", "reason"),
    [
        ("scpi-dmm", "scpi-dnm", "dialect", "'scpi-dnm' is not shipped; try scpi-dmm"),
        ("scpi-dmm", "scpi-supply", "dialect", "scpi-supply is for a supply"),
        ('"scpi-dmm"', '"scpi-dmm"\noptions = { output = "2" }', "options.output", "it has none"),
    ],
)
def test_a_dialect_that_does_not_fit_is_told_before_the_link_is_opened(
    old: str, new: str, key: str, reason: str
) -> None:
    file = bench_file_from_text(BASE.replace(old, new), "bench.toml")
    with pytest.raises(FileError) as caught:
        dialect_of(file, "dmm", Path())
    assert str(caught.value).startswith(f"bench 'Bench 1': instruments.dmm.{key}: ")
    assert reason in str(caught.value)


@pytest.mark.parametrize("command", [["bench", "check"], ["bench", "off"]])
def test_a_wrong_file_is_exit_code_2_and_one_line(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(b'name = "\xff"\n')
    assert run_command([*command, str(path)]) == 2
    assert capsys.readouterr().err == f"bridgebench: {path}: is not UTF-8 text\n"
