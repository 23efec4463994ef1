"""Relays: which channels make a connection, what is left to a person, what they add and stand."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest

from acq.analysis.leads import Lead, LeadPair
from acq.bench.bench_file import BenchFile, bench_file_from_text
from acq.bench.connections import (
    Connection,
    Join,
    Polarity,
    bridge_leads,
    excitation,
    insulation,
    ohms,
    volts,
)
from acq.bench.hands import HandTask
from acq.bench.relay_file import Connections
from acq.bench.relay_ways import RelayWays
from acq.bench.routing import Router
from acq.readings.measured import is_number
from acq.readings.reading import Reading
from acq.readings.specification import Accuracy
from acq.readings.uncertainty import Uncertainties
from drivers.written_file import FileError

SIGNAL = (Lead.S_PLUS, Lead.S_MINUS)
SUPPLY = ("supply +", "supply -", "supply sense +", "supply sense -")
METER = ("dmm HI", "dmm LO", "dmm sense HI", "dmm sense LO")
BENCH = """
name = "Bench 1"
[instruments.scanner]
resource = "TCPIP0::127.0.0.1::1::SOCKET"
dialect = "scpi-scanner"
"""


def relay(channel: int, terminal: str, lead: str, **more: Any) -> dict[str, Any]:
    return {"channel": channel, "terminal": terminal, "lead": lead, **more}


def relays(terminals: Iterable[str], leads: Iterable[Lead], first: int = 101) -> list[Any]:
    pairs = [(terminal, lead) for terminal in terminals for lead in leads]
    return [relay(first + i, t, lead.value) for i, (t, lead) in enumerate(pairs)]


def connections(**tables: Any) -> Connections:
    return Connections.model_validate(tables)


def test_what_no_relay_reaches_is_left_to_a_person() -> None:
    ways = RelayWays(connections(relay=[relay(101, "dmm HI", "Ex+"), relay(102, "dmm LO", "Ex-")]))
    way = ways.way(ohms(LeadPair.of(Lead.EX_PLUS, Lead.EX_MINUS)))
    assert way.channels == {101, 102}
    assert {join.terminal for join in way.by_hand} == {"dmm sense HI", "dmm sense LO"}


def test_of_an_exclusive_group_one_relay_is_closed_and_the_others_are_clipped() -> None:
    file = connections(relay=relays(METER[:2], SIGNAL), exclusive=[[101, 104], [102, 103]])
    way = RelayWays(file).way(volts(*SIGNAL))  # needs 101 (HI on S+) and 104 (LO on S-)
    assert way.channels == {101}
    assert way.by_hand == {Join("dmm LO", Lead.S_MINUS)}


def test_a_reversal_relay_exchanges_supply_and_its_sense_together() -> None:
    straight = [
        relay(201, "supply +", "Ex+"),
        relay(202, "supply -", "Ex-"),
        relay(203, "supply sense +", "Ex+"),
        relay(204, "supply sense -", "Ex-"),
    ]
    reversal = {"channel": 290, "exchanges": [SUPPLY[:2], SUPPLY[2:]]}
    ways = RelayWays(connections(relay=straight, reversal=[reversal]))
    assert ways.way(excitation(4)).channels == {201, 202, 203, 204}
    turned = ways.way(excitation(4, Polarity.REVERSED))
    assert turned.channels == {201, 202, 203, 204, 290}
    assert not turned.by_hand
    without = RelayWays(connections(relay=straight)).way(excitation(4, Polarity.REVERSED))
    assert len(without.by_hand) == 4


def test_a_clip_on_an_exchanged_terminal_never_goes_with_the_reversal() -> None:
    reversal = {"channel": 290, "exchanges": [SUPPLY[:2]]}
    ways = RelayWays(connections(relay=[relay(201, "supply +", "Ex+")], reversal=[reversal]))
    turned = ways.way(excitation(4, Polarity.REVERSED))
    assert turned.channels == frozenset()
    assert len(turned.by_hand) == 4


class Card:
    """A scanner that keeps what it was told."""

    def __init__(self) -> None:
        self.now: frozenset[int] = frozenset()

    def close_only(self, channels: Iterable[int]) -> None:
        self.now = frozenset(channels)

    def closed(self) -> frozenset[int]:
        return self.now


class Person:
    """Does everything and remembers the clips."""

    def __init__(self) -> None:
        self.on: list[Join] = []

    def do(self, task: HandTask) -> str:
        raise AssertionError(task)

    def clear(self, terminals: Sequence[str]) -> None:
        pass

    def clip(
        self,
        off: frozenset[Join],  # noqa: ARG002
        on: frozenset[Join],
        live_volts: float | None = None,  # noqa: ARG002
        seen: Callable[[], bool] | None = None,  # noqa: ARG002
    ) -> None:
        self.on += [*on]


def test_the_router_proves_what_the_way_says() -> None:
    file = connections(relay=relays(METER[:2], SIGNAL), exclusive=[[101, 104]])
    card, person = Card(), Person()
    router = Router(card, RelayWays(file), person)
    router.make(volts(*SIGNAL))
    assert card.now == {101}
    assert person.on == [Join("dmm LO", Lead.S_MINUS)]
    router.prove()


# --- what they add


def reading(quantity: str, value: float, unit: str, settings: dict[str, Any]) -> Reading:
    return Reading(
        quantity=quantity, value=value, limit=None, unit=unit, instrument="dmm", range_=None,
        plc=None, started_ns=0, ended_ns=int(1e9 * value) + len(settings), raw=str(value),
        settings=settings,
    )  # fmt: skip


def u_of(quantity: str, value: float, unit: str, settings: dict[str, Any]) -> float:
    accuracies = {"dmm": [Accuracy.model_validate({"quantity": quantity})]}
    measured = Uncertainties(accuracies).of(reading(quantity, value, unit, settings))
    assert is_number(measured)
    return float(measured.u)


def test_the_emf_of_two_relays_is_an_offset_that_cancels_in_differences() -> None:
    # GUM 4.3.7: a limit a without more knowledge is a / sqrt(3); two independent ones add squared
    file = connections(relay=relays(METER[:2], SIGNAL), defaults={"emf_volts": 1e-6})
    added = RelayWays(file).added("dc-voltage", "dmm", volts(*SIGNAL))
    assert added["relays"] == "101,104"
    assert u_of("dc-voltage", 1e-3, "V", added) == pytest.approx(math.sqrt(2 / 3) * 1e-6)
    of = Uncertainties({"dmm": [Accuracy.model_validate({"quantity": "dc-voltage"})]})
    one, two = (of.of(reading("dc-voltage", v, "V", added)) for v in (1e-3, 2e-3))
    assert is_number(one)
    assert is_number(two)
    assert float((two - one).u) == pytest.approx(0.0, abs=1e-15)


def test_contacts_count_in_two_wire_ohms_and_nowhere_else() -> None:
    file = connections(relay=relays(METER, SIGNAL), defaults={"contact_ohms": 0.3})
    ways = RelayWays(file)
    added = ways.added("resistance-2-wire", "dmm", volts(*SIGNAL))
    assert u_of("resistance-2-wire", 350.0, "ohm", added) == pytest.approx(0.6 / math.sqrt(3))
    assert ways.added("resistance", "dmm", ohms(LeadPair.of(*SIGNAL))) == {}


def test_open_relays_leak_past_an_insulation_test() -> None:
    # two relays of 1e11 ohm in a row by way of a meter terminal that is joined to nothing:
    # four leads in parallel, then the housing: 1 / (1/4 + 1) = 0.8 of 1e-11 S
    against = [Lead.HOUSING]
    leads = bridge_leads(4)
    wanted = insulation(leads, against)
    tester = relays(("insulation +",), leads, 301) + relays(("insulation -",), against, 321)
    file = connections(
        relay=[*tester, *relays(("dmm HI",), [*leads, Lead.HOUSING])],
        defaults={"isolation_ohms": 1e11, "maximum_volts": 150.0},
    )
    added = RelayWays(file).added("insulation-resistance", "insulation", wanted)
    assert added == {"relay_leak_siemens": pytest.approx(0.8e-11)}
    u = u_of("insulation-resistance", 1e10, "ohm", dict(added))
    assert u == pytest.approx(1e10 * 0.08 / math.sqrt(3))


def test_by_hand_nothing_is_added() -> None:
    file = connections(relay=relays(("dmm HI",), [Lead.EX_PLUS]), defaults={"emf_volts": 1e-6})
    assert RelayWays(file).added("dc-voltage", "dmm", volts(*SIGNAL)) == {}


# --- what they stand


def test_open_relays_on_the_lead_count_for_what_it_stands() -> None:
    file = connections(
        relay=[
            relay(101, "dmm HI", "Ex+", maximum_volts=60.0),
            relay(301, "insulation +", "Ex+"),
            relay(102, "dmm HI", "S+", maximum_volts=30.0),
        ],
        defaults={"maximum_volts": 150.0},
    )
    assert file.weakest({Lead.EX_PLUS}) == (101, 60.0)
    assert file.weakest({Lead.HOUSING}) is None


@pytest.mark.parametrize(
    ("tables", "told"),
    [
        ({"relay": [relay(1, "dmm HI", "Ex+"), relay(1, "dmm LO", "Ex+")]}, "channel 1"),
        ({"relay": [relay(1, "dmm HI", "Ex+"), relay(2, "dmm HI", "Ex+")]}, "dmm HI"),
        ({"relay": [relay(1, "dmm HI", "Ex+")], "exclusive": [[1, 7]]}, "channel 7 is no relay"),
        ({"relay": [relay(1, "dmm HI", "Ex+")], "exclusive": [[1]]}, "two channels or more"),
        ({"relay": [relay(1, "dmm HI", "Ex+")], "exclusive": [[1, 1]]}, "1 stands twice"),
        (
            {
                "relay": [relay(1, "supply +", "Ex+")],
                "reversal": [{"channel": 1, "exchanges": [SUPPLY[:2]]}],
            },
            "channel 1 stands here twice",
        ),
        ({"reversal": [{"channel": 9, "exchanges": [("supply +", "dmm LO")]}]}, "one instrument"),
        ({"reversal": [{"channel": 9, "exchanges": [("supply +", "supply +")]}]}, "twice"),
        ({"reversal": [{"channel": 9, "exchanges": [("plus", "supply +")]}]}, "no terminal 'plus'"),
        (
            {"defaults": {"contact_ohms": 10.0, "isolation_ohms": 5.0}},
            "isolation_ohms 5 is not above contact_ohms 10",
        ),
        (
            {
                "defaults": {"isolation_ohms": 100.0},
                "relay": [relay(1, "dmm HI", "Ex+", contact_ohms=200.0)],
            },
            "relay 1: ",
        ),
        ({"relay": [relay(1, "insulation +", "Ex+")]}, "relay 1: maximum_volts is needed"),
    ],
)
def test_what_contradicts_itself_is_one_line_with_file_and_key(
    tables: dict[str, Any], told: str
) -> None:
    from acq.cells.toml_text import toml_text

    text = BENCH + toml_text({"connections": tables})
    with pytest.raises(FileError) as caught:
        bench_file_from_text(text, "bench.toml")
    said = str(caught.value)
    assert told in said
    assert said.startswith("bench.toml: connections")
    assert "\n" not in said


def test_a_whole_file_with_groups_and_reversal_is_read() -> None:
    text = BENCH + (
        "[connections]\nexclusive = [[101, 102]]\n"
        "[connections.defaults]\nmaximum_volts = 100.0\n"
        '[[connections.relay]]\nchannel = 101\nterminal = "supply +"\nlead = "Ex+"\n'
        '[[connections.relay]]\nchannel = 102\nterminal = "supply -"\nlead = "Ex-"\n'
        '[[connections.reversal]]\nchannel = 190\nexchanges = [["supply +", "supply -"]]\n'
    )
    file: BenchFile = bench_file_from_text(text, "bench.toml")
    assert file.connections.exclusive == ((101, 102),)
    ways = RelayWays(file.connections)
    wanted = Connection("x", frozenset({Join("supply +", Lead.EX_MINUS)}))
    assert ways.way(wanted).channels == {102, 190}


def test_the_leak_of_many_relays_does_not_depend_on_the_order_of_a_set() -> None:
    """Sums of floats in the order of a set differ from process to process: then bytes do."""
    code = (
        "from tests.acq.bench.test_relays import leak_of_unlike_relays;"
        "print(repr(leak_of_unlike_relays()))"
    )
    found = set()
    for seed in ("1", "2", "3", "4"):
        ran = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed},
            cwd=Path(__file__).parents[3],
            capture_output=True,
            text=True,
            check=True,
        )
        found.add(ran.stdout)
    assert len(found) == 1, found


def leak_of_unlike_relays() -> object:
    """Open relays of unlike isolation in the way of an insulation test."""
    terminals = ("dmm HI", "dmm LO", "dmm sense HI", "dmm sense LO", "supply +", "supply -")
    relays = [
        {"channel": 100 * row + column, "terminal": terminal, "lead": lead, "isolation_ohms": ohms}
        for row, (terminal, ohms) in enumerate(
            zip(terminals, (1.1e10, 1.3e11, 1.7e10, 1.9e11, 2.3e10, 2.9e11), strict=True), 1
        )
        for column, lead in enumerate(("Ex+", "housing"))
    ]
    text = {"relay": relays, "defaults": {"maximum_volts": 150.0}}
    ways = RelayWays(Connections.model_validate(text))
    joined = insulation((Lead.EX_PLUS,), (Lead.HOUSING,))
    return ways.added("insulation-resistance", "insulation", joined)
