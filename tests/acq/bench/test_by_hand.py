"""A person as the wire: what is asked, what is believed, and what counts as off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest

from acq.analysis.leads import Lead, LeadPair
from acq.bench.bench_file import bench_file_from_text
from acq.bench.by_hand import HandInstrument, HandMeter, HandSupply, HandTester
from acq.bench.connections import Join, ohms
from acq.bench.hands import HandTask
from acq.bench.roles import NotOffByHand, Roles
from acq.bench.routing import Router
from acq.errors import BenchFailure, Stopped


class Clock:
    """Time that passes only where somebody waits."""

    def __init__(self) -> None:
        self.ns = 0

    def now_ns(self) -> int:
        return self.ns

    def wait(self, seconds: float) -> None:
        self.ns += round(seconds * 1e9)

    def opened(self, wire: str, local_port: int | None) -> None:
        """No wire is opened by hand."""

    def sent(self, wire: str, count: int) -> None:
        """Nothing is sent."""

    def arrived(self, wire: str, have: int, deadline_ns: int) -> int | None:  # noqa: ARG002
        raise AssertionError("nothing arrives")


@dataclass
class Person:
    """Types these lines one after the other, the last one again and again."""

    types: list[str] = field(default_factory=lambda: ["0 V"])
    tasks: list[HandTask] = field(default_factory=list)
    clips: list[tuple[frozenset[Join], frozenset[Join], float | None]] = field(default_factory=list)
    cleared: list[Sequence[str]] = field(default_factory=list)

    def do(self, task: HandTask) -> str:
        self.tasks.append(task)
        if not task.quantity:
            return "done"
        line = self.types.pop(0) if len(self.types) > 1 else self.types[0]
        if line == "stop":
            raise Stopped("stopped at a prompt")
        return line

    def clip(
        self,
        off: frozenset[Join],
        on: frozenset[Join],
        live_volts: float | None = None,
        seen: Callable[[], bool] | None = None,  # noqa: ARG002
    ) -> None:
        self.clips.append((off, on, live_volts))

    def clear(self, terminals: Sequence[str]) -> None:
        self.cleared.append(terminals)

    @property
    def done(self) -> list[str]:
        """What was to be done, without the readings."""
        return [task.text for task in self.tasks if not task.quantity]


def test_a_meter_is_set_once_for_many_readings_and_says_its_unit() -> None:
    person = Person(["20.0123", "20.0124", "+0.0200125 V"])
    meter = HandMeter("dmm", person, Clock())
    values = [meter.measure("dc-voltage", range_=0.1, plc=10.0).value for _ in range(3)]
    assert values == pytest.approx([0.0200123, 0.0200124, 0.0200125])
    assert len(person.done) == 1
    assert "dc volts, range 100 mV" in person.done[0]
    assert "in mV" in person.tasks[1].text
    assert meter.told == {"by_hand": True, "last_digit": pytest.approx(1e-7)}


def test_a_reading_beyond_the_range_is_doubted_corrected_and_its_history_kept() -> None:
    person = Person(["3851", "385.1"])
    meter = HandMeter("dmm", person, Clock())
    value = meter.measure("resistance", range_=1000.0)
    assert value.value == 385.1
    assert value.range == 1000.0
    assert meter.told["typed"] == "3851 | 385.1"
    assert "look at the unit" in person.tasks[-1].text


def test_an_open_display_is_a_bound_without_a_number() -> None:
    value = HandMeter("dmm", Person(["OL"]), Clock()).measure("resistance", range_=1e8)
    assert (value.value, value.limit) == (None, "above")


def test_what_is_never_understood_ends_in_one_clear_line() -> None:
    with pytest.raises(BenchFailure, match="dmm, read by hand: resistance: not understood"):
        HandMeter("dmm", Person(["what?"]), Clock()).measure("resistance")


@pytest.mark.parametrize(
    ("role", "quantity", "typed", "value"),
    [
        ("thermometer", "temperature", "22.3", 22.3),
        ("hygrometer", "relative-humidity", "45 %", 45.0),
        ("barometer", "pressure", "1013.2", 101320.0),
        ("reference-indicator", "voltage-ratio", "2.00012", 2.00012e-3),
    ],
)
def test_other_roles_are_read_in_the_unit_that_people_use(
    role: str, quantity: str, typed: str, value: float
) -> None:
    assert HandInstrument(role, Person([typed]), Clock()).read(quantity).value == pytest.approx(
        value
    )


def test_a_supply_is_set_switched_read_and_proven_off() -> None:
    person = Person(["10.0", "1.2", "0.3", "0.01"])
    clock = Clock()
    supply = HandSupply("supply", person, clock)
    supply.program(10.0, 0.0286, 11.0, remote_sense=True)
    assert "10 V; current limit 28.6 mA; over-voltage protection 11 V" in person.done[0]
    supply.switch_on()
    assert not supply.is_off()  # 1.2 V is read
    supply.switch_off()
    assert supply.is_off()
    assert person.tasks[-3].switch is False
    assert clock.ns == 2e9  # a reading that is not yet down is repeated after a pause


def test_a_supply_that_shows_more_than_was_asked_for_is_not_gone_on_with() -> None:
    supply = HandSupply("supply", Person(["100", "100"]), Clock())
    supply.program(10.0, 0.0286, 11.0, remote_sense=True)
    with pytest.raises(BenchFailure, match="100 is shown where 10 V was asked for"):
        supply.switch_on()


def test_the_word_off_counts_where_a_display_has_it() -> None:
    supply = HandSupply("supply", Person(["OFF"]), Clock())
    supply.safe_off()
    assert supply.is_off()


@pytest.mark.parametrize("typed", ["12 V", "open", ">5 V"])
def test_what_is_not_shown_to_be_down_is_not_off(typed: str) -> None:
    with pytest.raises(BenchFailure, match="supply NOT PROVEN OFF"):
        HandSupply("supply", Person([typed]), Clock()).safe_off()


def test_a_tester_is_started_with_a_caution_and_stopped_until_discharged() -> None:
    person = Person(["12.5 G", "50.1", "31", "2"])
    tester = HandTester("insulation", person, Clock())
    tester.start(50.0)
    assert "50 V" in person.tasks[-1].caution
    assert tester.read().value == 12.5e9
    assert tester.applied_volts().value == 50.1
    tester.stop()
    assert tester.is_off()
    assert len([task for task in person.tasks if "at its terminals" in task.text]) == 2


BENCH = """
name = "By hand"
[instruments.supply]
by_hand = true
[instruments.insulation]
by_hand = true
"""


def test_every_instrument_is_tried_before_the_one_that_stays_on_is_named(
    tmp_path: object,
) -> None:
    person = Person(["stop", "0 V"])
    roles = Roles(bench_file_from_text(BENCH, "bench"), tmp_path, Clock(), person)  # type: ignore[arg-type]
    roles.open("supply")
    roles.open("insulation")
    with pytest.raises(NotOffByHand, match=r"^insulation NOT PROVEN OFF"):
        roles.make_safe()
    assert roles.supply().is_off()


EX_PAIR = LeadPair(Lead.EX_PLUS, Lead.EX_MINUS)
S_PAIR = LeadPair(Lead.S_PLUS, Lead.S_MINUS)


def test_clips_are_cleared_once_and_moved_off_before_on_in_one_prompt() -> None:
    person = Person()
    router = Router(None, None, person, ("dmm HI", "dmm LO"))
    router.make(ohms(EX_PAIR))
    router.make(ohms(S_PAIR))
    assert person.cleared == [("dmm HI", "dmm LO")]
    (none, first, _), (off, on, _) = person.clips
    assert none == frozenset()
    assert first == off == ohms(EX_PAIR).joins
    assert on == ohms(S_PAIR).joins


def test_a_person_is_told_when_the_leads_are_live() -> None:
    person = Person()
    router = Router(None, None, person)
    router.live_volts = 10.0
    router.make(ohms(EX_PAIR))
    assert person.clips[0][2] == 10.0
