"""Instruments that can do less: said before anything goes on, and done without, or refused."""

from __future__ import annotations

import json
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


def without(name: str, *words: str) -> str:
    """Return a shipped dialect's text without the lines that hold one of the words."""
    lines = (SHIPPED / f"{name}.toml").read_text().splitlines(keepends=True)
    return "".join(line for line in lines if not any(word in line for word in words))


def acceptance(served: SimulatedBench, folder: Path, own: dict[str, str]) -> int:
    text = served.bench_text
    for name, content in own.items():
        (folder / f"plain-{name}.toml").write_text(content)
        assert f'dialect = "{name}"' in text
        text = text.replace(f'dialect = "{name}"', f'dialect = "plain-{name}.toml"')
    (folder / "bench.toml").write_text(text)
    arguments = ["run", "acceptance", "--cell", "B-011902", "--plan", str(QUICK), "--json"]
    return int(run_command([*arguments, "--bench", str(folder / "bench.toml")]))


def test_a_plain_supply_and_a_tester_that_tells_no_volts_are_gone_on_with(
    served: SimulatedBench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    supply = without("scpi-supply", "remote_sense", "PROT", 'words = { on = "EXT"')
    tester = without("line-insulation-start-poll", "applied = ")
    own = {"scpi-supply": supply, "line-insulation-start-poll": tester}
    assert acceptance(served, tmp_path, own) == 0
    out, err = capsys.readouterr()
    said = [line for line in err.splitlines() if line.startswith("NOTE  ")]
    assert len(said) == 3
    assert "no remote sense" in said[0] + said[1]
    assert "does not tell what it applies" in err
    findings = [f for check in json.loads(out)["checks"] for f in check["findings"]]
    (leads,) = [f for f in findings if f["name"] == "insulation leads to housing"]
    assert "at 50.0 V, as set, not measured" in leads["marks"][0]
    (zero,) = [f for f in findings if f["name"] == "zero balance"]
    assert zero["conformity"] == "pass"


def test_a_supply_whose_current_cannot_be_seen_is_refused_before_the_bench_is_touched(
    served: SimulatedBench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (SHIPPED / "scpi-supply.toml").read_text()
    own = {"scpi-supply": text[: text.index("[quantities.current]")]}
    assert acceptance(served, tmp_path, own) == 3
    err = capsys.readouterr().err
    assert "has no [quantities.current]: the current must be seen" in err
    assert "nothing was switched on" in err


def test_a_tester_at_another_voltage_ends_the_insulation_tests_and_nothing_else(
    served: SimulatedBench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (SHIPPED / "line-insulation-start-poll.toml").read_text()
    told = '{ tell = "VOLT {volts}", ask = "VOLT?", reply = "VOLT=(?P<volts>{number})V" }'
    assert told in text
    text = text.replace(told, '{ tell = "VOLT 10" }')
    text = text.replace("[insulation]", "[insulation]\nfixed_volts = 50.0")
    assert acceptance(served, tmp_path, {"line-insulation-start-poll": text}) == 1  # the volts fail
    checks = json.loads(capsys.readouterr().out)["checks"]
    found = {f["name"]: f for check in checks for f in check["findings"]}
    tested = [f for name, f in found.items() if name.startswith("insulation ")]
    assert len(tested) >= 2
    assert {f["conformity"] for f in tested} == {"withheld"}
    reasons = [f["because"] for f in tested]
    assert reasons[0].startswith("the tester applied ")
    for reason in reasons[1:]:
        assert reason == f"no insulation test: {reasons[0]}"
    assert found["zero balance"]["conformity"] == "pass"
