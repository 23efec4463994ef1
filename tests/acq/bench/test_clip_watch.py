"""A moved clip is seen by the meter: open while in the air, then steady; no key is pressed."""

from __future__ import annotations

import contextlib
import os
import threading
import time as wall
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from acq.analysis.leads import LeadPair
from acq.bench.bench import Bench, Request
from acq.bench.bench_file import bench_file_from_text
from acq.bench.clip_watch import OpenThenSteady
from acq.bench.connections import ohms
from acq.bench.simulated import start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.runs.control_socket import ControlSocket
from acq.runs.prompts import Answer, AskingHands, Prompt
from acq.runs.technicians import AutomaticTechnician, TerminalTechnician
from tests.bench_watch import BenchWatch


def seen_after(readings: list[float | None]) -> int | None:
    """Return how many readings it takes to see the clip moved; None when they do not show it."""
    left = list(readings)
    watch = OpenThenSteady(lambda: left.pop(0))
    return next((n for n in range(1, len(readings) + 1) if watch()), None)


def test_open_then_steady_is_a_moved_clip() -> None:
    assert seen_after([385.1, None, None, 281.0, 281.0, 281.0, 281.0]) == 7


def test_a_clip_that_was_never_off_is_not_a_moved_one() -> None:
    assert seen_after([281.0] * 20) is None


def test_a_hand_that_still_holds_the_clip_is_waited_for() -> None:
    held = [300.0, 290.0, 285.0, 279.0, 283.0]
    assert seen_after([None, *held, 281.0, 281.0, 281.0, 281.0]) == 10


class Fingers:
    """At the terminal: moves clips, and presses Return only where the meter cannot see it."""

    def __init__(self, time: SteppedTime, keys: int) -> None:
        self._keys = keys
        self._automatic = AutomaticTechnician(time)
        self._control = time.address
        self.watched: list[Prompt] = []

    def show(self, prompt: Prompt) -> None:
        if prompt.seen is None:
            self._automatic.answer(prompt)
            os.write(self._keys, b"\n")
            return
        self.watched.append(prompt)
        self._automatic.answer(replace(prompt, clip_on=()))
        threading.Thread(target=self._on, args=(prompt,)).start()

    def _on(self, prompt: Prompt) -> None:
        wall.sleep(0.5)  # in the air meanwhile: the meter sees that
        with BenchWatch(self._control) as bystander:
            for join in prompt.clip_on:
                bystander.hand("clip", terminal=join.terminal, lead=join.lead.value)


@pytest.fixture
def time(tmp_path: Path) -> Iterator[SteppedTime]:
    scenario = tmp_path / "no-scanner.toml"
    scenario.write_text("[instruments.scanner]\nmissing = true\n", encoding="utf-8")
    started = start_simulated_bench(str(scenario))
    (tmp_path / "bench.toml").write_text(started.bench_text, encoding="utf-8")
    led = SteppedTime(started.control)
    yield led
    led.end()


def test_one_moved_clip_of_the_ohmmeter_needs_no_key(time: SteppedTime, tmp_path: Path) -> None:
    text = (tmp_path / "bench.toml").read_text(encoding="utf-8")
    keyboard, keys = os.pipe()
    fingers = Fingers(time, keys)
    given: list[Answer] = []
    with contextlib.closing(ControlSocket(tmp_path / "control")) as control:
        technician = TerminalTechnician(fingers.show, "test", control, keyboard)

        def ask(prompt: Prompt) -> Answer:
            given.append(technician.answer(prompt))
            return given[-1]

        roles = ["dmm", "supply", "insulation"]
        file = bench_file_from_text(text, "bench")
        request = Request(quantity="resistance", range_=1000.0, plc=10.0)
        with Bench(file, tmp_path, time, roles, AskingHands(ask)) as bench:
            first = bench.read(request, ohms(LeadPair.read("Ex+ Ex-")))
            second = bench.read(request, ohms(LeadPair.read("Ex+ S+")))
    os.close(keyboard)
    os.close(keys)
    # input resistance and an adjacent pair of the invented cell B-011902
    assert first.value == pytest.approx(385.1, abs=0.5)
    assert second.value == pytest.approx(280.6, abs=0.5)
    assert len(fingers.watched) == 1
    assert given[-1] == Answer("done", "the meter: open, then steady")
