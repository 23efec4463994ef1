"""A whole acceptance test with a person as the wire: set, clipped, switched and read by prompts."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from acq.runs.journal import Line, read_journal
from tests.bench_watch import BenchWatch
from tests.conducting import Trial

PLAN = str(Path(__file__).parents[2] / "by_hand.toml")


@pytest.fixture
def trial(tmp_path: Path) -> Iterator[Trial]:
    trial = Trial.new(tmp_path / "run", "all-by-hand")
    yield trial
    with BenchWatch(trial.control) as watch:
        watch.end()


def lines_of(trial: Trial) -> list[Line]:
    return read_journal(trial.folder.journal)[0]


def findings(trial: Trial) -> dict[str, dict[str, Any]]:
    kept = [line.content for line in lines_of(trial) if line.content.get("kind") == "finding"]
    return {content["ask"]: content["got"] for content in kept}


def prompts(trial: Trial) -> list[dict[str, Any]]:
    return [line.content["prompt"] for line in lines_of(trial) if line.what == "prompt"]


def readings(trial: Trial) -> list[dict[str, Any]]:
    kept = [line.content for line in lines_of(trial) if line.content.get("kind") == "read"]
    return [content["got"] for content in kept]


def test_a_bench_without_any_link_tests_a_cell(trial: Trial) -> None:
    assert trial.conduct(plan=PLAN) == 0
    found = findings(trial)
    # the cell of the scenario as its builder's netlist has it: 385.1 ohm, -0.0064 mV/V
    assert found["resistance Ex+ Ex-"]["value"] == pytest.approx(385.1, abs=0.06)
    assert found["zero balance"]["value"] == pytest.approx(-6.4e-6, abs=5e-7)
    assert found["insulation leads to housing"]["conformity"] == "pass"
    names = [line["name"] for line in found["resistance Ex+ Ex-"]["budget"]]
    assert any("dmm gain" in name for name in names)  # the budget of the bench file
    assert any("last digit" in name for name in names)  # and what a person cannot see
    kept = readings(trial)
    assert kept
    assert all(reading["settings"]["by_hand"] for reading in kept)
    assert all(reading["plc"] is None for reading in kept)


def test_what_can_hurt_carries_its_caution_and_is_proven_off_by_reading(trial: Trial) -> None:
    trial.conduct(plan=PLAN)
    asked = prompts(trial)
    switched = [(prompt["operate"], prompt["switch"]) for prompt in asked if "switch" in prompt]
    assert switched[:2] == [("insulation", False), ("supply", False)]  # before the first clip
    assert all(prompt["caution"] for prompt in asked if "switch" in prompt)
    place = {id(prompt): number for number, prompt in enumerate(asked)}
    for prompt in asked:
        if prompt.get("switch") is False:
            following = asked[place[id(prompt)] + 1]
            assert following["display"] == prompt["operate"]
            assert "volts at its terminals" in following["text"]
    while_live = [p for p in asked if p["on"] and "excitation is ON" in p["caution"]]
    assert while_live
    assert all(terminal.startswith("dmm") for p in while_live for terminal, _ in p["on"])


def test_after_a_kill_a_person_first_makes_safe_then_goes_on(trial: Trial) -> None:
    def excited(line: Line) -> bool:
        return line.what == "state" and str(line.content["state"]).startswith("excitation reversed")

    def strike(line: Line) -> int:
        return signal.SIGKILL if excited(line) else 0

    assert trial.in_child(strike, plan=PLAN) == -signal.SIGKILL
    done = len(lines_of(trial))
    assert trial.conduct(plan=PLAN) == 0
    later = [line for line in lines_of(trial)[done:] if line.what == "prompt"]
    first = [line.content["prompt"] for line in later[:5]]
    assert [(p.get("operate"), p["display"]) for p in first[:4]] == [
        ("insulation", ""),
        (None, "insulation"),
        ("supply", ""),
        (None, "supply"),
    ]
    assert first[4]["clear"][0] == "dmm HI"  # clips of the killed run are taken off
    assert findings(trial)["zero balance"]["conformity"] == "pass"
