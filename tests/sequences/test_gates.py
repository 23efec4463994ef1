"""What must not be energised or loaded is not: gates before load, live reading, log, half bridge.

Each scenario puts the fault into the circuit; that a step is withheld is common practice, from
harmless to stressful.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from acq.errors import Stopped
from acq.runs.control_socket import Told, tell
from acq.runs.journal import Line
from acq.runs.prompts import Answer, Prompt
from acq.runs.technicians import AutomaticTechnician
from tests.bench_watch import BenchWatch
from tests.conducting import QUICK, Trial
from tests.sequences.test_acceptance import HALF, findings, papers
from tests.sequences.trials import Begin, lines_of

TESTS = Path(__file__).parents[1]
LOAD = str(TESTS / "quick_load.toml")
AS_FOUND = str(TESTS / "quick_as_found.toml")


@pytest.fixture(autouse=True)
def everything_is_off_at_the_end(trials: list[Trial]) -> Iterator[None]:
    """After each test nothing may be on, on any of its benches."""
    yield
    for trial in trials:
        with BenchWatch(trial.control) as watch:
            assert watch.energised() == []


def excited(trial: Trial) -> list[str]:
    states = [str(line.content["state"]) for line in lines_of(trial) if line.what == "state"]
    return [state for state in states if state.startswith("excitation")]


def energised(trial: Trial) -> list[str]:
    """Every excitation and test voltage that went on."""
    lines = (line.content for line in lines_of(trial) if line.what == "state")
    states = [str(content["state"]) for content in lines]
    return [state for state in states if state.startswith(("excitation", "insulation"))]


def hung(trial: Trial) -> list[float]:
    """Every load that hands were asked to put on."""
    loads = [line.content.get("prompt", {}).get("load", {}) for line in lines_of(trial)]
    return [value for load in loads for value in load.values() if value > 0.0]


class SeesDamage(AutomaticTechnician):
    """Finds the cell damaged to the eye."""

    def answer(self, prompt: Prompt) -> Answer:
        return Answer("damaged", "test") if "damaged" in prompt.choices else super().answer(prompt)


@pytest.mark.parametrize("fault", ["short-ex-plus-ex-minus", "open-lead-ex-plus"])
def test_nothing_is_excited_or_loaded_behind_a_short_or_an_open_lead(
    begin: Begin, fault: str
) -> None:
    trial = begin(fault)
    assert trial.conduct(plan=LOAD, sequence="load-series") == 1
    assert excited(trial) == []
    assert hung(trial) == []


def test_electronics_get_no_voltage_at_all_and_a_short_is_tested_against_its_housing(
    begin: Begin,
) -> None:
    amplifier = begin("electronics")
    assert amplifier.conduct() == 1
    assert energised(amplifier) == []
    told = findings(amplifier)["insulation leads to housing"]
    assert told["conformity"] == "withheld"
    assert "no test voltage: " in told["because"]
    shorted = begin("short-s-plus-s-minus")
    assert shorted.conduct() == 1
    assert energised(shorted) == ["insulation test voltage 50 V"] * 6  # three paths, on and off


@pytest.mark.parametrize("fault", ["short-ex-plus-ex-minus", "electronics"])
def test_no_test_voltage_before_a_load_onto_a_short_or_electronics(
    begin: Begin, fault: str
) -> None:
    trial = begin(fault)
    assert trial.conduct(plan=LOAD, sequence="load-series") == 1
    assert energised(trial) == []
    found = findings(trial)
    for path in ("leads to housing", "leads to shield", "shield to housing"):
        assert "no test voltage: Ex+ Ex-" in str(found[f"insulation {path}"]["because"])
    assert hung(trial) == []


@pytest.mark.parametrize(("sequence", "plan"), [("load-series", LOAD), ("acceptance", AS_FOUND)])
def test_a_cell_that_is_damaged_to_the_eye_is_not_loaded(
    begin: Begin, sequence: str, plan: str
) -> None:
    trial = begin()
    assert trial.conduct(plan=plan, sequence=sequence, technician=SeesDamage) == 4
    assert hung(trial) == []


class StopsUnderLoad(AutomaticTechnician):
    """Is called away while the whole load hangs."""

    loaded = False

    def tell(self, prompt: Prompt) -> None:
        if StopsUnderLoad.loaded and prompt.load and not any(prompt.load.values()):
            raise Stopped("stopped by test")
        super().tell(prompt)
        StopsUnderLoad.loaded |= any(value > 0.0 for value in prompt.load.values())


def test_who_stops_under_load_is_told_that_it_is_still_on(begin: Begin) -> None:
    StopsUnderLoad.loaded = False
    trial = begin()
    assert trial.conduct(plan=LOAD, sequence="load-series", technician=StopsUnderLoad) == 130
    assert hung(trial)
    assert "THE LOAD IS STILL ON, about 500" in lines_of(trial)[-1].content["because"]


@pytest.mark.parametrize("fault", ["short-ex-plus-ex-minus", "open-lead-ex-plus"])
@pytest.mark.parametrize(("sequence", "plan"), [("live", str(TESTS / "live.toml")), ("log", "log")])
def test_no_long_reading_of_a_shorted_or_open_cell(
    begin: Begin, sequence: str, plan: str, fault: str
) -> None:
    trial = begin(fault)
    assert trial.conduct(plan=plan, sequence=sequence) == 4
    assert excited(trial) == []


def test_a_shorted_half_bridge_is_not_excited(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    serial = papers(monkeypatch, tmp_path / "cells", HALF)
    trial = begin("short-ex-plus-ex-minus")
    assert trial.conduct(serial=serial) == 1
    assert excited(trial) == []


@pytest.mark.parametrize("check", ["warm-up", "insulation, leads to housing"])
def test_a_plain_pause_begins_only_where_nothing_is_energised(begin: Begin, check: str) -> None:
    trial = begin()
    on: list[dict[str, str]] = []

    def order(line: Line) -> None:
        if line.what == "check-opened" and line.content["check"] == check and not on:
            told(Told("pause", "Ann Example"))

    def told(order: Told) -> threading.Thread:
        thread = threading.Thread(target=tell, args=(trial.folder.control_socket, order))
        thread.start()
        return thread

    def said(text: str) -> None:
        if text.startswith("pause:"):
            with BenchWatch(trial.control) as watch:
                shown = {wire: watch.display(wire) for wire in ("supply", "insulation")}
            on.append(shown)
            told(Told("go-on", "Ann Example"))

    assert trial.conduct(order, plan=str(QUICK), say=said) == 0
    assert len(on) == 1
    assert on[0]["supply"].endswith("OFF")
    assert "READY" in on[0]["insulation"]
