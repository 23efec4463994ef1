"""Two more dialects from a manual's text and `dialects/README.md` alone, before any code was read.

Each peer here is written from the same text in `from_manuals/`. What the dialect language could not
say at first: a line that an instrument says by itself when it is connected (now `banner`), whether
the links of a rear sense are there (now a step `when = "remote_sense"`), and that a reading belongs
to the chosen output (now a group named like the option). What it cannot say: a setting that is
reached by stepping up and down keys, a number that stands for a logarithm, a checksum that must be
computed; such a file cannot be written at all, so no number comes of it.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from drivers.dialect import load_dialect
from drivers.errors import InstrumentError, RefusedError, ReplyError
from drivers.insulation_tester import InsulationTester
from drivers.supply import Supply
from drivers.time import WallTime
from drivers.trial import SwitchOn, Tried, try_dialect
from tests.drivers.peers import Manners, Peer, Serve, on_pty, on_tcp

FOLDER = Path(__file__).with_name("from_manuals")
TESTER = FOLDER / "insulation-tester-that-stops-itself.toml"
SUPPLY = FOLDER / "supply-with-a-status-word.toml"


class ThreeLineTester:
    """The tester of `insulation-tester-that-stops-itself.md`; a look at its state takes it on."""

    def __init__(self, result: str = " 1,250E3 MOhm") -> None:
        self.result, self.kilovolts, self.duration = result, "0,050", "060"
        self.armed_at: float | None = None
        self.on = self.rising = self.discharging = False

    def __call__(self, line: str) -> str:
        word, _, argument = line.partition(" ")
        match word, argument:
            case "WHO", "":
                return "TESTER M2;serial 00417"
            case "KV", "" | "0,050" | "0,100" | "0,250" | "0,500" | "1,000":
                self.kilovolts = argument or self.kilovolts
                return f"KV {self.kilovolts}"
            case "DUR", _ if not argument or (len(argument) == 3 and 5 <= int(argument) <= 600):
                self.duration = argument or self.duration
                return f"DUR {self.duration}"
            case "KV" | "DUR", _:
                return "*** 3"
            case "ARM", "":
                self.armed_at = time.monotonic()
                return "ARMED"
            case "FIRE", "":
                return self._fire()
            case "STAT", "":
                return self._state()
            case "RES", "":
                if not self.on or self.rising:
                    return "*** 2"
                return f"{self._terminals()}\rR={self.result}\rT= 015"
            case "TERM", "":
                return self._terminals()
            case "HALT", "":
                self.discharging, self.on, self.rising = self.on, False, False
                return "HALTED"
        return "*** 1"

    def _fire(self) -> str:
        armed, self.armed_at = self.armed_at, None
        if armed is None or time.monotonic() - armed > 3.0 or self.on:
            return "*** 2"
        self.on = self.rising = True
        return "GO"

    def _state(self) -> str:
        said = f"S={self.on * 1 | self.rising * 2 | self.discharging * 4:X}"
        self.rising = self.discharging = False
        return said

    def _terminals(self) -> str:
        volts = float(self.kilovolts.replace(",", ".")) * 1004 if self.on else 0.3
        return f"U={volts:6.1f}V".replace(".", ",")


class WordedSupply:
    """The two outputs of `supply-with-a-status-word.md`, 350 ohm at each."""

    def __init__(self) -> None:
        self.kept = {f"{name}:{what}": 0 for name in "ab" for what in "uip"}
        self.on = {"a": False, "b": True}  # b is somebody else's
        self.tripped = {"a": False, "b": False}
        self.sensed_at_load, self.by_computer = True, False

    def __call__(self, line: str) -> str:
        name, _, rest = line.partition(":")
        word, _, argument = rest.partition(" ")
        match name, word, argument:
            case "#", "name", "":
                return "two-output supply/7"
            case "#", "pc", "0" | "1":
                self.by_computer = argument == "1"
                return line
            case "a" | "b", "u?" | "i?" | "p?", "":
                return self._kept(f"{name}:{word[0]}")
            case "a" | "b", "m?", "":
                millivolts = self.kept[f"{name}:u"] if self.on[name] else 0
                return f"{name}:m {millivolts:+06d} {round(millivolts / 350):+05d}"
            case "a" | "b", "w?", "":
                bits = 3 * self.on[name] | self.tripped[name] << 4 | self.sensed_at_load << 8
                return f"{name}:w 0x{bits:04X}"
            case "a" | "b", "u" | "i" | "p" | "sw" | "rst", _ if not self.by_computer:
                return "#:denied"
            case "a" | "b", "u" | "i" | "p", _ if argument.isdigit():
                most = {"u": 20000, "i": 500, "p": 22}[word]
                self.kept[f"{name}:{word}"] = min(int(argument), most)
                return self._kept(f"{name}:{word}")
            case "a" | "b", "sw", "on" | "off":
                self.on[name] = argument == "on" and not self.tripped[name]
                return f"{name}:sw {'on' if self.on[name] else 'off'}"
        return "#:what"

    def _kept(self, key: str) -> str:
        digits = {"u": 5, "i": 4, "p": 2}[key[-1]]
        return f"{key} {self.kept[key]:0{digits}d}"


def peer_of_tester(tester: ThreeLineTester) -> Peer:
    return Peer(tester, line_end=b"\r", reply_end=b"\r", greeting=b"READY 3.1\r")


def peer_of_supply(supply: WordedSupply) -> Peer:
    return Peer(supply, line_end=b"\r\n", reply_end=b"\n\r")


def opened_tester(peer: Peer) -> InsulationTester:
    dialect = load_dialect(str(TESTER))
    return InsulationTester.open("insulation", peer.resource, dialect, WallTime())


def opened_supply(peer: Peer) -> Supply:
    return Supply.open("supply", peer.resource, load_dialect(str(SUPPLY)), WallTime())


@pytest.mark.parametrize("serve", [on_tcp, on_pty])
@pytest.mark.parametrize(
    ("result", "value", "limit"),
    [
        (" 1,250E3 MOhm", 1.25e9, None),
        (" 3,500E-1 MOhm", 3.5e5, None),
        (" OVER", None, "above"),
        (" UNDER", None, "below"),
    ],
)
def test_three_lines_with_commas_are_one_reading(
    serve: Serve, result: str, value: float | None, limit: str | None
) -> None:
    tester = ThreeLineTester(result)
    peer = peer_of_tester(tester)
    with (
        serve(peer),
        opened_tester(peer) as it,
    ):
        it.start(50.0)
        found = it.read()
        assert found.value == (None if value is None else pytest.approx(value, rel=1e-12))
        assert found.limit == limit
        applied = it.applied_volts()
        assert applied is not None
        assert applied.value == pytest.approx(50.2)
        it.stop()
    assert not tester.on
    assert tester.kilovolts == "0,050"
    assert tester.duration == "600"


def test_a_tester_that_has_stopped_by_itself_gives_no_value() -> None:
    tester = ThreeLineTester()
    peer = peer_of_tester(tester)
    with (
        on_tcp(peer),
        opened_tester(peer) as it,
    ):
        it.start(50.0)
        assert it.read().value == pytest.approx(1.25e9)
        tester("HALT")  # its own clock
        with pytest.raises(InstrumentError):
            it.read()


def test_a_test_voltage_that_the_tester_has_not_is_refused_before_anything_is_sent() -> None:
    tester = ThreeLineTester()
    peer = peer_of_tester(tester)
    with (
        on_tcp(peer),
        opened_tester(peer) as it,
    ):
        with pytest.raises(RefusedError, match="volts"):
            it.start(2000.0)
        assert not any(line.startswith(("KV", "FIRE")) for line in peer.received)


@pytest.mark.parametrize("serve", [on_tcp, on_pty])
def test_a_supply_that_answers_what_it_took_is_programmed_and_proven_off(serve: Serve) -> None:
    box = WordedSupply()
    peer = peer_of_supply(box)
    with (
        serve(peer),
        opened_supply(peer) as supply,
    ):
        supply.program(5.0, 0.02, 5.5, remote_sense=True)
        assert (box.kept["a:u"], box.kept["a:i"], box.kept["a:p"]) == (5000, 20, 6)
        supply.switch_on()
        assert supply.read("voltage").value == pytest.approx(5.0)
        assert supply.read("current").value == pytest.approx(0.014)
        supply.safe_off()
        assert supply.is_off()
    assert box.on == {"a": False, "b": True}
    assert not box.by_computer


def test_what_the_supply_reduces_without_complaint_is_seen() -> None:
    box = WordedSupply()
    peer = Peer(lambda line: box(line.replace("a:u 05000", "a:u 04000")))
    peer.line_end, peer.reply_end = b"\r\n", b"\n\r"
    with (
        on_tcp(peer),
        opened_supply(peer) as supply,
        pytest.raises(RefusedError, match="volts"),
    ):
        supply.program(5.0, 0.02, 5.5, remote_sense=True)


def test_sense_leads_that_are_not_connected_are_seen_before_switching_on() -> None:
    box = WordedSupply()
    box.sensed_at_load = False
    peer = peer_of_supply(box)
    with (
        on_tcp(peer),
        opened_supply(peer) as supply,
        pytest.raises(InstrumentError),
    ):
        supply.program(5.0, 0.02, 5.5, remote_sense=True)
    assert not box.on["a"]


def test_a_tripped_output_cannot_be_switched_on() -> None:
    box = WordedSupply()
    box.tripped["a"] = True
    peer = peer_of_supply(box)
    with (
        on_tcp(peer),
        opened_supply(peer) as supply,
    ):
        assert supply.has_tripped()
        supply.program(5.0, 0.02, 5.5)
        with pytest.raises(InstrumentError):
            supply.switch_on()


@pytest.mark.parametrize(
    ("file", "peer", "on"),
    [
        (TESTER, peer_of_tester(ThreeLineTester()), SwitchOn(50.0)),
        (SUPPLY, peer_of_supply(WordedSupply()), SwitchOn(5.0, 0.02)),
    ],
    ids=["tester", "supply"],
)
def test_trying_the_dialect_meets_no_failure(file: Path, peer: Peer, on: SwitchOn) -> None:
    with on_tcp(peer):
        tried: list[Tried] = []
        try_dialect(load_dialect(str(file)), peer.resource, WallTime(), tried.append, on=on)
    assert [one.failure for one in tried] == [None] * len(tried)
    assert len(tried) >= 5
    said = "; ".join(one.outcome for one in tried)
    assert "insulation-resistance 1.25e+09 ohm" in said or "voltage 5 V" in said


def test_a_banner_that_comes_late_is_no_answer_and_a_later_one_says_that_it_started_anew() -> None:
    tester = ThreeLineTester()
    peer = peer_of_tester(tester)
    peer.greeting = b""
    peer.manners = Manners(before=b"READY 3.1\r", times=1)
    with (
        on_tcp(peer),
        opened_tester(peer) as it,
    ):
        it.start(50.0)
        peer.behave(Manners(before=b"READY 3.1\r", times=1))
        with pytest.raises(InstrumentError):
            it.read()
        it.stop()
    assert not tester.on


def test_the_reply_of_another_output_is_no_reading() -> None:
    box = WordedSupply()
    peer = Peer(lambda line: box(line.replace("a:m?", "b:m?")))
    peer.line_end, peer.reply_end = b"\r\n", b"\n\r"
    with (
        on_tcp(peer),
        opened_supply(peer) as supply,
        pytest.raises(ReplyError, match="output b, not a"),
    ):
        supply.read("voltage")
