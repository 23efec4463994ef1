"""The control port: who moves time, in which order bytes are obeyed, and the same bytes again."""

from __future__ import annotations

import hashlib
import json
import os
import random
import selectors
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import pytest

from simulated_bench.control import Control, Json
from simulated_bench.events import Events
from simulated_bench.process import BenchProcess, BenchProcessError, Leader
from simulated_bench.scenario import Scenario
from tests.simulated_bench.serving import EXCITATION, join, lead, led, ohms, serving


def test_time_stands_still_until_it_is_led_and_moves_only_by_orders() -> None:
    with serving() as served:
        time.sleep(0.05)
        with lead(served) as leader:
            assert leader.t == 0
            time.sleep(0.05)
            assert leader.advance(0)["t"] == 0
            assert leader.advance(1800.0)["t"] == 1800 * 10**9


def test_the_leader_is_told_where_and_when_it_is() -> None:
    with led(seed=9) as leader:
        assert leader.about["start"] == "2026-03-02T08:00:00Z"
        assert leader.about["scenario"] == "test"
        assert leader.about["seed"] == 9
        assert leader.about["sent"] == {"dmm": 0, "supply": 0, "scanner": 0, "insulation": 0}


def test_there_is_one_leader_and_the_next_follows_when_it_has_gone() -> None:
    with serving() as served:
        with lead(served), pytest.raises(BenchProcessError, match="led by another"):
            lead(served)
        deadline = time.monotonic() + 5
        while True:
            try:
                lead(served).close()
                break
            except BenchProcessError:
                assert time.monotonic() < deadline


def test_without_a_leader_the_bench_lives_on_wall_time() -> None:
    with serving() as served:
        host, port = served.wires["dmm"].resource.split("::")[1:3]
        with socket.create_connection((host, int(port)), timeout=5) as link:
            link.sendall(b"*IDN?\n")
            assert link.recv(100) == b"EXAMPLE,DMM 6.5,0417,1.0\n"
            begun = time.monotonic()
            link.sendall(b"CONF:FRES 1000;:FRES:NPLC 5;:READ?\n")
            assert link.recv(100).startswith(b"+9.9")  # open: nothing is joined
            assert time.monotonic() - begun > 0.1  # 5 cycles of 20 ms, and the zero's


def test_an_advance_ends_with_the_first_bytes_of_a_watched_wire() -> None:
    with led() as leader:
        leader.open("dmm")
        begun = leader.seconds
        answer = leader.advance(100.0, until="dmm", order=[leader.write("dmm", "*IDN?")])
        assert answer["t"] / 1e9 - begun < 0.01
        assert answer["sent"]["dmm"] == len(leader.discard("dmm")) > 10


def test_a_reply_already_under_way_is_reported_at_once() -> None:
    with led() as leader:
        leader.say("dmm", "*IDN?", 1.0)
        at = leader.t
        answer = leader.raw(
            {"op": "advance", "by": 10**10, "until": ["dmm"], "have": {"dmm": 0}, "order": []}
        )
        assert answer["t"] == at


def test_bytes_are_obeyed_in_the_order_that_the_leader_gives() -> None:
    with led() as leader:
        for wire in ("supply", "scanner", "dmm"):
            leader.open(wire)
        # Written meter first, obeyed meter last: the voltage is already there when it measures.
        late = leader.write("dmm", "CONF:VOLT:DC 10;:VOLT:NPLC 1;:READ?")
        early = leader.write("scanner", "ROUT:CLOS (@501,602,101,202)")
        first = leader.write("supply", "VOLT 5;CURR 0.1;:OUTP ON")
        leader.advance(0.5, order=[early, first])
        assert float(leader.line("dmm", order=[late])) == pytest.approx(5.0, rel=2e-3)


def test_bytes_that_were_announced_and_never_came_are_an_error() -> None:
    with led(patience_s=0.2) as leader:
        leader.open("dmm")
        with pytest.raises(BenchProcessError, match="not arrived"):
            leader.advance(1.0, order=[("dmm", 7)])
        assert leader.ask("dmm", "SYST:VERS?") == "1999.0"


@pytest.mark.parametrize(
    ("order", "said"),
    [
        ({"op": "fly"}, "op: lead, advance"),
        ({"op": "advance", "by": -1}, "by: whole nanoseconds"),
        ({"op": "advance", "by": 1.5}, "by: whole nanoseconds"),
        ({"op": "advance", "by": 1, "until": ["dvm"]}, "no wire 'dvm'"),
        ({"op": "advance", "by": 1, "order": [["dmm", "x"]]}, "order: "),
        ({"op": "opened", "wire": "dmm", "port": "x"}, "port: "),
        ({"op": "hand", "do": "sing"}, "do: clip"),
        ({"op": "hand", "do": "clip", "terminal": "dmm IH", "lead": "S+"}, "terminal: one of"),
        ({"op": "hand", "do": "clip", "terminal": "dmm HI", "lead": "S*"}, "lead: one of"),
        ({"op": "hand", "do": "load", "kilograms": "heavy"}, "kilograms: a number"),
        ({"op": "hand", "do": "wire-fault", "wire": "dmm", "kind": "sulk"}, "kind: allowed"),
        ({"op": "hand", "do": "display", "wire": "piano"}, "wire: one of"),
    ],
)
def test_a_mistake_is_answered_in_one_line_that_names_the_key(
    order: dict[str, object], said: str
) -> None:
    with led() as leader:
        with pytest.raises(BenchProcessError) as caught:
            leader.raw(order)
        assert said in str(caught.value)
        assert "\n" not in str(caught.value)
        assert leader.advance(0.0)["t"] >= 0


WRONG = [
    (b'{"op":"hand","do":"wire-fault","wire":"dmm","kind":"late","for":1e400}', "for: a finite"),
    (b'{"op":"hand","do":"cell","papers":"B-011902","zero_mv_v":NaN}', "zero_mv_v: a finite"),
    (b'{"op":"hand","do":"cell","input_ohms":10}', "input_ohms: 10 ohm is less than"),
    (b'{"op":"hand","do":"cell","kilograms":10}', "kilograms: the next cell lies there unloaded"),
    (b'{"op":"hand","do":"load","kilograms":NaN}', "kilograms: a finite"),
    (b'{"op":"hand","do":"load","kilograms":-Infinity}', "kilograms: a finite"),
    (b'{"op":"hand","do":"load","kilograms":1e9}', "kilograms: 1e+09 kg breaks"),
    (b'{"op":"hand","do":"load","newtons":1e9}', "newtons: 1.01918e+08 kg breaks"),
    (b'{"op":"hand","do":"load","kilograms":1,"newtons":5}', "load: either kilograms or newtons"),
    (b'{"op":"hand","do":"load"}', "load: either kilograms or newtons"),
    (b'{"op":"hand","do":"load","kilograms":50,"corner":-3}', "corner: a whole number from 1 to 4"),
    (b'{"op":"hand","do":"temperature","celsius":1e9}', "celsius: at most 150"),
    (b'{"op":"hand","do":"touch","lead":"S+","volts":50}', "volts: at most 1"),
    (b'{"op":"hand","do":"power-cycle","wire":"dmm","seconds":-4}', "seconds: at least 0"),
    (
        b'{"op":"hand","do":"fault","kind":"open","element":"arm A","until":1e400}',
        "until: a finite",
    ),
    (b'{"op":"hand","do":"fault","kind":"open","element":"relay 9"}', "no element 'relay 9'"),
    (b'{"op":"hand","do":"fault","kind":"short","element":"arm B"}', "cannot be open and short"),
    (b'{"op":"hand","do":"fault","kind":"open","element":"arm A","piece":3}', "piece: "),
    (b'{"op":"hand","do":"display","wire":["dmm"]}', "wire: one of"),
    (b'{"op":"hand","do":"look","wire":{}}', "wire: one of"),
    (b'{"op":"advance","by":1,"have":{"dmm":"x"},"until":["dmm"]}', "dmm: whole bytes"),
    (b'{"op":"advance","by":' + b"9" * 400 + b"}", "by: a whole number up to"),
    (b'{"op":"advance","by":' + b"9" * 5000 + b"}", "JSON object"),
    (b"[" * 100_000, "JSON object"),
    (b"\xff\xfe", "JSON object"),
]


def test_no_order_ends_the_bench() -> None:
    """Each is answered by one line with the key, and the next one is heard."""
    fault = {"kind": "open", "element": "arm B"}
    with (
        serving(Scenario.model_validate({"fault": [fault]})) as served,
        spoken_to(served.control) as ask,
    ):
        ask(b'{"op":"lead"}')
        for order, said in WRONG:
            error = ask(order)["error"]
            assert said in error, order[:80]
            assert "\n" not in error
        assert ask(b'{"op":"advance","by":1000000000}')["t"] == 10**9


class Broken:
    """Hands with a mistake in them that nobody has thought of."""

    def do(self, what: str, order: Mapping[str, object]) -> Json:
        return {what: len(order) // 0}


def test_a_mistake_of_the_bench_itself_is_told_and_does_not_end_it() -> None:
    with selectors.DefaultSelector() as selector:
        control = Control(Events(), {}, Broken(), selector, {})
        thread = threading.Thread(target=control.serve)
        thread.start()
        with spoken_to(control) as ask:
            error = ask(b'{"op":"hand","do":"load"}')["error"]
            assert "a mistake of the simulated bench: ZeroDivisionError" in error
            ask(b'{"op":"end"}')
        thread.join(10)
        assert not thread.is_alive()
        control.close()


@contextmanager
def spoken_to(control: Control) -> Iterator[Callable[[bytes], dict[str, Any]]]:
    """Give a connection to a control port that sends a line of any bytes and has the answer."""
    host, _, port = control.address.rpartition(":")
    with (
        socket.create_connection((host, int(port)), timeout=5) as link,
        link.makefile("rb") as replies,
    ):

        def ask(line: bytes) -> dict[str, Any]:
            link.sendall(line + b"\n")
            answer: dict[str, Any] = json.loads(replies.readline())
            return answer

        yield ask


def test_only_the_leader_moves_time_but_anyone_has_hands() -> None:
    with serving() as served, lead(served):
        host, _, port = served.control.address.rpartition(":")
        with socket.create_connection((host, int(port)), timeout=5) as other:
            replies = other.makefile()
            other.sendall(b'{"op":"advance","by":1}\nnonsense\n[]\n')
            assert "only the leader" in json.loads(replies.readline())["error"]
            assert "JSON object" in json.loads(replies.readline())["error"]
            assert "JSON object" in json.loads(replies.readline())["error"]
            other.sendall(b'{"op":"hand","do":"load","kilograms":10}\n')
            assert json.loads(replies.readline())["newtons"] == pytest.approx(98.1, abs=0.1)
            replies.close()


def test_a_second_client_of_an_instrument_is_not_heard_until_the_first_hangs_up() -> None:
    with led() as leader:
        assert leader.ask("dmm", "SYST:VERS?") == "1999.0"
        host, port = leader._resources["dmm"].split("::")[1:3]
        with socket.create_connection((host, int(port)), timeout=5) as second:
            second.sendall(b"*RST\n")
            assert leader.ask("dmm", "SYST:VERS?") == "1999.0"
        leader.open("dmm")
        assert leader.ask("dmm", "SYST:VERS?") == "1999.0"


def test_counters_start_at_zero_with_each_connection_also_on_a_serial_line() -> None:
    with led() as leader:
        for wire in ("dmm", "insulation"):
            leader.ask(wire, "*IDN?" if wire == "dmm" else "ID?")
            leader.say(wire, "*IDN?" if wire == "dmm" else "ID?", 1.0)
            leader.open(wire)
            assert leader.advance(1.0)["sent"][wire] == 0
            assert leader.discard(wire) == b""


def test_it_ends_when_told_and_when_nobody_has_led_for_a_while() -> None:
    with BenchProcess() as bench:
        with bench.lead() as leader:
            leader.raw({"op": "end"})
        assert bench.wait() == 0
    with BenchProcess(more=["--linger", "0.2"]) as bench:
        assert bench.wait() == 0


def test_a_paced_bench_takes_wall_time() -> None:
    with led(pace=20.0) as leader:
        begun = time.monotonic()
        leader.advance(4.0)
        assert time.monotonic() - begun >= 0.19
        assert leader.t == 4 * 10**9


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--scenario", "no-such"], "no-such: no such scenario; there are"),
        (["--scenario", "/nonexistent/x.toml"], "/nonexistent/x.toml: cannot be read"),
    ],
)
def test_a_scenario_that_cannot_be_used_is_one_line_and_code_2(
    arguments: list[str], said: str
) -> None:
    with pytest.raises(BenchProcessError) as caught:
        BenchProcess(arguments[1])
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def procedure(leader: Leader, jitter: random.Random | None = None) -> str:
    """A small run over all instruments; returns a digest of every byte and its bench time."""
    seen = hashlib.sha256()

    def note(text: object) -> None:
        if jitter is not None:
            time.sleep(jitter.random() * 1e-3)
        seen.update(f"{leader.t} {text}\n".encode())

    join(leader, *ohms("Ex+", "Ex-"))
    leader.say("dmm", "CONF:FRES 1000;:FRES:NPLC 1;:FRES:OCOM ON")
    for _ in range(3):
        note(leader.ask("dmm", "READ?"))
    join(leader, *EXCITATION, ("dmm HI", "S+"), ("dmm LO", "S-"))
    leader.say("supply", "VOLT 5;CURR 0.05;VOLT:SENS EXT;:OUTP ON")
    leader.say("dmm", "CONF:VOLT:DC 0.1;:VOLT:NPLC 1")
    for _ in range(5):  # two instruments in the same instant
        order = [leader.write("dmm", "READ?"), leader.write("supply", "MEAS:VOLT?")]
        note(leader.line("dmm", order=order))
        note(leader.line("supply"))
    leader.say("supply", "OUTP OFF", 2.0)
    join(leader, ("insulation +", "Ex+"), ("insulation -", "housing"))
    note(leader.ask("insulation", "START"))
    leader.advance(15.0)
    note(leader.ask("insulation", "READ?"))
    note(leader.ask("insulation", "STOP"))
    return seen.hexdigest()


def test_the_same_seed_gives_the_same_bytes_whatever_the_wall_clock_does() -> None:
    digests = set()
    for number in range(8):
        with led(seed=4) as leader:
            digests.add(procedure(leader, random.Random(number)))
    with BenchProcess(seed=4) as bench, bench.lead() as leader:
        digests.add(procedure(leader))
    assert len(digests) == 1
    with led(seed=5) as leader:
        assert procedure(leader) not in digests


def test_nothing_is_left_behind() -> None:
    before = set(os.listdir("/proc/self/fd"))
    with led() as leader:
        leader.ask("dmm", "*IDN?")
        leader.ask("insulation", "ID?")
        folder = os.path.dirname(leader._resources["insulation"][4:].partition("::")[0])
        assert os.path.isdir(folder)
    assert not os.path.exists(folder)
    assert set(os.listdir("/proc/self/fd")) == before
