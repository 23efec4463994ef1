"""Insulation testers with a link that are not told their volts: a knob by hand, or one voltage."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from acq.analysis.leads import Lead
from acq.bench.bench import Bench
from acq.bench.bench_file import bench_file_from_text
from acq.bench.connections import bridge_leads, insulation
from acq.bench.simulated import start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.runs.prompts import Answer, AskingHands, Prompt
from acq.runs.technicians import AutomaticTechnician
from drivers.dialect import load_dialect, shipped_names
from drivers.errors import RefusedError

NAME = "line-insulation-start-poll"
TOLD = '{ tell = "VOLT {volts}", ask = "VOLT?", reply = "VOLT=(?P<volts>{number})V" },'
TEST = insulation(bridge_leads(6), [Lead.HOUSING])


class Person:
    """Turns the knob when asked, or only says so."""

    def __init__(self, time: SteppedTime, *, turns: bool) -> None:
        self._hands, self._turns = AutomaticTechnician(time), turns
        self.asked: list[Prompt] = []

    def answer(self, prompt: Prompt) -> Answer:
        if prompt.operate != "insulation":
            return self._hands.answer(prompt)
        self.asked.append(prompt)
        return self._hands.answer(prompt) if self._turns else Answer("done", "test")


@pytest.fixture
def time(tmp_path: Path) -> Iterator[SteppedTime]:
    started = start_simulated_bench("healthy")
    (tmp_path / "bench.toml").write_text(started.bench_text, encoding="utf-8")
    led = SteppedTime(started.control)
    yield led
    led.end()


def opened(time: SteppedTime, folder: Path, volts: str, person: Person) -> Bench:
    """The simulated bench, with a dialect whose tester is not told its volts."""
    import drivers.dialect as where

    assert NAME in shipped_names()
    shipped = Path(where.__file__).with_name("dialects") / f"{NAME}.toml"
    text = shipped.read_text(encoding="utf-8")
    assert TOLD in text
    (folder / "knob.toml").write_text(
        text.replace(TOLD, "").replace("[insulation]", f"[insulation]\n{volts}"), encoding="utf-8"
    )
    assert load_dialect("knob.toml", folder).insulation is not None
    bench = (folder / "bench.toml").read_text(encoding="utf-8")
    assert NAME in bench
    file = bench_file_from_text(bench.replace(NAME, "knob.toml"), "bench.toml")
    roles = ["scanner", "dmm", "supply", "insulation"]
    return Bench(file, folder, time, roles, AskingHands(person.answer))


def applied(bench: Bench) -> float:
    value = bench.roles.tester().applied_volts()
    assert value is not None
    assert value.value is not None
    return value.value


def test_volts_by_hand_are_asked_for_once_and_confirmed(time: SteppedTime, tmp_path: Path) -> None:
    person = Person(time, turns=True)
    time.hand("set", wire="insulation", volts=500.0)
    with opened(time, tmp_path, "set_by_hand = true", person) as bench:
        bench.connect(TEST)
        bench.apply_test_voltage(50.0)
        assert 45.0 < applied(bench) < 55.0
        bench.remove_test_voltage()
        bench.apply_test_voltage(50.0)
        bench.remove_test_voltage()
    assert len(person.asked) == 1
    assert "Set the insulation tester to 50 V" in person.asked[0].text
    assert "may destroy the cell" in person.asked[0].caution
    assert person.asked[0].settings == {"volts": 50.0}


def test_a_knob_that_stands_higher_is_seen_at_once_and_the_test_stopped(
    time: SteppedTime, tmp_path: Path
) -> None:
    person = Person(time, turns=False)
    time.hand("set", wire="insulation", volts=500.0)
    with opened(time, tmp_path, "set_by_hand = true", person) as bench:
        bench.connect(TEST)
        began = time.now_ns()
        with pytest.raises(RefusedError, match="applied more than the 50 V that are wanted"):
            bench.apply_test_voltage(50.0)
        assert applied(bench) < 5.0
        assert time.now_ns() - began < 20e9  # not after a dwell of a minute


def test_a_tester_of_one_voltage_is_not_started_at_another(
    time: SteppedTime, tmp_path: Path
) -> None:
    person = Person(time, turns=True)
    with opened(time, tmp_path, "fixed_volts = 100.0", person) as bench:
        bench.connect(TEST)
        with pytest.raises(RefusedError, match="tests at 100 V only, 50 V are wanted"):
            bench.apply_test_voltage(50.0)
        assert applied(bench) < 1.0
    assert not person.asked
