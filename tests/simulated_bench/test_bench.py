"""The bench survives whatever is clipped and commanded, and means are means."""

from __future__ import annotations

import math
import random

import pytest

from simulated_bench.bench import Bench
from simulated_bench.circuit import Point
from simulated_bench.events import NS, Events, Process, Steps
from simulated_bench.scenario import Scenario
from simulated_bench.served import ServedBench
from tests.simulated_bench.serving import LEADS, TERMINALS, channel

METER = ("CONF:VOLT:DC", "CONF:FRES 1000", "CONF:RES", "CONF:CURR:DC 0.1", "FRES:OCOM ON")
SUPPLY = (
    *("OUTP ON", "OUTP OFF", "VOLT 20", "VOLT 1", "CURR 0.5", "CURR 0.005", "VOLT:PROT 12"),
    *("VOLT:PROT:CLE", "VOLT:SENS:SOUR EXT", "VOLT:SENS:SOUR INT", "MEAS:VOLT?", "MEAS:CURR?"),
)
TESTER = ("START", "STOP", "VOLT 500", "READ?", "OUT?")
WAITS = (0.0, 0.001, 0.3, 2.0, 60.0, 4000.0)


@pytest.mark.parametrize("seed", range(8))
def test_any_clips_and_any_commands_leave_the_bench_alive(seed: int) -> None:
    draw = random.Random(seed)
    with ServedBench("test", Scenario(), seed=seed) as served:
        bench, devices = served.bench, served.devices
        answers: dict[str, list[bytes]] = {name: [] for name in devices}
        for name, device in devices.items():
            device.send = answers[name].append
        for _ in range(25):
            match draw.randrange(6):
                case 0:
                    joins = [channel(draw.choice(TERMINALS), draw.choice(LEADS)) for _ in range(4)]
                    listed = ",".join(map(str, joins))
                    devices["scanner"].obey(f"ROUT:CLOS (@{listed})\n".encode())
                case 1:
                    devices["scanner"].obey(b"ROUT:OPEN:ALL\n")
                case 2:
                    devices["dmm"].obey(f"{draw.choice(METER)};:READ?\n".encode())
                case 3:
                    devices["supply"].obey(f"{draw.choice(SUPPLY)}\n".encode())
                case 4:
                    devices["insulation"].obey(f"{draw.choice(TESTER)}\n".encode())
                case 5:
                    bench.clip(draw.choice(TERMINALS), draw.choice(LEADS))
            bench.events.nobody_until = bench.events.now + round(draw.choice(WAITS) * NS)
            bench.events.run(bench.events.nobody_until)
        devices["dmm"].obey(b"*IDN?\n")
        bench.events.run(bench.events.now + 60 * NS)
        assert answers["dmm"][-1].startswith(b"EXAMPLE,DMM")
        for answer in answers["dmm"][:-1]:
            assert math.isfinite(float(answer))


def bench_with_supply() -> tuple[ServedBench, Bench]:
    served = ServedBench("test", Scenario())
    for terminal, lead in (("supply +", "Ex+"), ("supply -", "Ex-")):
        served.bench.clip(terminal, lead)
    return served, served.bench


def volts(point: Point) -> float | None:
    return point.volt("Ex+", "Ex-")


def test_a_window_over_a_change_is_the_mean_of_before_and_after() -> None:
    served, bench = bench_with_supply()
    with served:
        served.devices["supply"].obey(b"VOLT 1;CURR 0.1;:OUTP ON\n")
        bench.events.run(600 * NS)
        before = bench.now(volts)
        window = bench.window(volts)
        bench.events.run(603 * NS)
        bench.clip("supply +", "S+")
        after = bench.now(volts)
        bench.events.run(604 * NS)
        mean = window.mean()
        assert before is not None
        assert after is not None
        assert mean == pytest.approx((3 * before + after) / 4, rel=1e-4)


def test_many_looks_within_a_window_change_nothing() -> None:
    def mean(looks: int) -> float:
        served, bench = bench_with_supply()
        with served:
            served.devices["supply"].obey(b"VOLT 10;CURR 0.05;:OUTP ON\n")
            bench.events.run(NS // 100)
            window = bench.window(volts)
            for number in range(1, looks + 1):
                bench.events.run(NS // 100 + number * (NS // looks))
                bench.now(volts)
            found = window.mean()
            assert found is not None
            return found

    # The output rises through its current limit meanwhile: still the same integral.
    assert mean(1) == pytest.approx(mean(50), rel=2e-5)


def test_a_cell_is_warmed_by_the_power_of_an_output_that_has_come_to_rest() -> None:
    """Nobody touches the bench after switching on: what warms is not what it rose through."""
    served, bench = bench_with_supply()
    with served:
        served.devices["supply"].obey(b"VOLT 10;CURR 0.05;:OUTP ON\n")
        bench.events.run(NS // 10)
        rising = bench.live.watts
        bench.events.run(60 * NS)
        alone = bench.live.watts
        bench.clip("dmm HI", "S+")  # a change has it looked at in any case
        bench.events.run(61 * NS)
        assert rising < 0.9 * alone
        assert alone == pytest.approx(bench.live.watts, rel=1e-3)
        served.devices["supply"].obey(b"OUTP OFF\n")
        bench.events.run(120 * NS)
        assert bench.live.watts < 1e-6


def test_events_happen_in_order_of_time_and_then_of_booking() -> None:
    events = Events()
    seen: list[str] = []
    for when, name in ((20, "c"), (10, "a"), (10, "b"), (30, "d")):
        events.at(when, lambda name=name: seen.append(name))  # type: ignore[misc]
    events.run(20)
    assert (seen, events.now) == (["a", "b", "c"], 20)
    events.run(25)
    assert (seen, events.now) == (["a", "b", "c"], 25)
    events.at(5, lambda: seen.append("late"))
    events.run(40, lambda: "late" in seen)
    assert (seen[-1], events.now) == ("late", 25)


def test_a_cancelled_process_does_not_wake_up() -> None:
    events = Events()
    seen: list[str] = []

    def steps() -> Steps:
        seen.append("begun")
        yield 10
        seen.append("woken")

    process = Process(events, steps())
    process.cancel()
    process.cancel()
    events.run(100)
    assert seen == ["begun"]
    assert not process.running


def test_a_process_that_cancels_itself_ends_at_its_next_wait() -> None:
    events = Events()
    seen: list[str] = []

    def steps() -> Steps:
        yield 10
        process.cancel()
        seen.append("still here")
        yield 10
        seen.append("never")

    process = Process(events, steps())
    events.run(100)
    assert seen == ["still here"]
