"""A visit to a weighing chain: measured, fed, judged, put back; killed and taken up; by hand.

The mapping of 0 to 100 % on 4 to 20 mA is IEC 60381-1's; that 12 to 30 V on an open input mean a
loop supply is common practice, no source.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

import sequences
from acq.cells.chain_visit import EXAMPLES
from acq.desk.command_line import run_command
from acq.records.records import Records
from acq.runs.journal import Line, read_journal
from acq.runs.prompts import Answer, Prompt
from acq.runs.technicians import AutomaticTechnician
from sequences.weighing_chain_current import decision
from sequences.weighing_chain_plan import Feed
from tests.acq.certificates.pdf_text import pages
from tests.bench_watch import BenchWatch
from tests.conducting import Trial
from tests.sequences.quick_chains import quick_chain

PLAN = str(Path(__file__).parent.parent / "quick_chain.toml")
START = "from acq.desk.command_line import main; main()"
PLANS = Path(sequences.__file__).parent / "plans"
LOOP = "transmitter I+ to loop terminal"


class Visit:
    """Runs the command and keeps its document."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.records = f"sqlite:///{folder / 'records.sqlite'}"

    def run(self, *more: str) -> int:
        """Run it as a person does, in a process of its own."""
        arguments = ["run", "weighing-chain", "--plan", PLAN, "--records", self.records, "--json"]
        command = [sys.executable, "-P", "-c", START, *arguments, *more]
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
        )
        code, out, self.said = done.returncode, done.stdout, done.stderr
        self.document: dict[str, Any] = json.loads(out) if out.strip() else {}
        findings = [f for c in self.document.get("checks", []) for f in c["findings"]]
        self.found = {finding["name"]: finding for finding in findings}
        return code

    def simulated(self, chain: str, *changes: tuple[str, str]) -> int:
        scenario = quick_chain(chain, self.folder, *changes)
        return self.run("--chain", "hopper-3", "--simulated", "--scenario", scenario)

    def lines(self) -> list[Line]:
        return list(read_journal(Path(self.document["journal_file"]))[0])

    def prompts(self) -> list[dict[str, Any]]:
        return [line.content["prompt"] for line in self.lines() if line.what == "prompt"]


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    return Visit(tmp_path)


def test_a_sound_powered_loop_is_sunk_into_and_every_interface_passes(visit: Visit) -> None:
    assert visit.simulated("two-wire") == 0, visit.said
    assert visit.found["block at fault"]["conformity"] == "pass"
    # 24 V of the input itself: the source takes the transmitter's place and never drives
    assert visit.found["open-circuit voltage of the input"]["value"] == pytest.approx(24.0, abs=0.1)
    feeds = [line.content["ask"] for line in visit.lines() if line.content.get("kind") == "feed"]
    at_input = [ask for ask in feeds if ask != "off" and ask["at"] == "input + to input -"]
    assert {ask["kind"] for ask in at_input} == {"dc-current-sink"}
    assert feeds[-1] == "off"
    _the_loop_never_opened(visit.lines())
    _no_meter_is_switched_over_where_it_hangs(visit.lines())
    # IEC 60381-1: the top of the range is 20 mA, and the display its upper range value
    top = visit.found["as found: I6-I7 20.000 mA fed, display"]
    assert abs(top["value"]) < 0.1
    assert top["unit"] == "%"
    lifted = {wire for prompt in visit.prompts() for wire in prompt.get("lift", ())}
    ticked = [p["text"] for p in visit.prompts() if p["text"].startswith("Restore list")]
    assert all(any(f"{wire} back" in text for text in ticked) for wire in lifted)
    assert any("inhibits removed" in text for text in ticked)
    for prompt in visit.prompts():  # where the hand acts the caution stands
        if prompt.get("lift"):
            assert "Permit" in prompt["caution"] or "opened loop" in prompt["caution"]
        if any("loop wire" in wire or "input wire" in wire for wire in prompt.get("lift", ())):
            assert "An opened loop trips the control system" in prompt["caution"]
        if prompt.get("load"):
            assert "suspended" in prompt["caution"]
    with Records.open(visit.records, simulated=True) as records:
        assert records.verify().sound


def _the_loop_never_opened(lines: list[Line]) -> None:
    """The meter is set to mA across the wire before it is lifted; the wire is back before clips."""
    carried = lifted = False
    lifts = 0
    for line in lines:
        content = line.content
        prompt = content.get("prompt", {})
        if content.get("kind") == "read" and content["got"]["quantity"] == "dc-current":
            carried = carried or content["ask"]["at"].startswith(LOOP)
        if "loop wire +" in prompt.get("lift", ()):
            assert carried, line.number
            lifted, lifts = True, lifts + 1
        if "loop wire +" in prompt.get("restore", ()):
            lifted = False
        if content.get("kind") == "clips off":
            assert not lifted, line.number
            carried = False
    assert lifts > 1
    assert not lifted


def _no_meter_is_switched_over_where_it_hangs(lines: list[Line]) -> None:
    """An ammeter's burden would short the excitation that the voltmeter was clipped to.

    The function is set before the clips are moved, so the clips were off before that.
    """
    prompts = [line.content["prompt"] for line in lines if line.what == "prompt"]
    into_loop = 0
    for prompt in prompts:
        on = dict(prompt["on"])
        away = {terminal for terminal, _ in prompt["off"]}
        if on.get("dmm LO") in ("loop terminal", "input +") or "dmm sense HI" in on:
            into_loop += 1
            assert "dmm HI" not in away or "dmm sense HI" in away, prompt["text"]
    assert into_loop > 1


@pytest.mark.parametrize(
    ("volts", "allowed"),
    [
        (24.0, "sink"), (12.0, "sink"), (30.0, "sink"),
        (11.99, "stop"), (30.01, "stop"), (-24.0, "stop"), (0.5, "stop"), (-0.5, "stop"),
        (0.49, "ask"), (-0.49, "ask"), (0.0, "ask"), (None, "stop"),
    ],
)  # fmt: skip
def test_only_volts_with_their_polarity_decide_what_a_source_may_be(
    volts: float | None, allowed: str
) -> None:
    plan = tomllib.loads((PLANS / "weighing-chain.toml").read_text(encoding="utf-8"))
    assert decision(volts, Feed.model_validate(plan["feed"])) == allowed


def fed_at_the_input(lines: list[Line]) -> list[object]:
    asks = [line.content["ask"] for line in lines if line.content.get("kind") == "feed"]
    return [ask for ask in asks if ask != "off" and ask["at"] == "input + to input -"]


def test_an_input_that_is_neither_dead_nor_a_loop_supply_is_never_fed(visit: Visit) -> None:
    """12 to 30 V are a loop supply, below 0.5 V is dead; between them: stop."""
    visit.simulated("two-wire", ("supply_volts = 24.0", "supply_volts = 7.0"))
    assert fed_at_the_input(visit.lines()) == []
    reasons = " ".join(str(line.content.get("because", "")) for line in visit.lines())
    assert "on the open input is neither dead nor a loop supply" in reasons


class NotConfirmed(AutomaticTechnician):
    """Finds no word in the loop drawing that the input is passive."""

    def answer(self, prompt: Prompt) -> Answer:
        if "Does the loop drawing show" in prompt.text:
            return Answer("no", "test")
        return super().answer(prompt)


def test_a_dead_input_is_only_fed_when_the_loop_drawing_confirms(tmp_path: Path) -> None:
    with on_bench(tmp_path) as run:
        run.conduct(lambda _: None, PLAN, "hopper-3", "weighing-chain", technician=NotConfirmed)
        assert fed_at_the_input(read_journal(run.folder.journal)[0]) == []


@pytest.mark.parametrize(
    ("chain", "block"),
    [
        ("open-signal-pair", "junction box"),
        ("sense-missing", "home-run cable"),
    ],
)
def test_the_block_at_fault_is_named(visit: Visit, chain: str, block: str) -> None:
    assert visit.simulated(chain) == 1, visit.said
    kept = [line for line in visit.lines() if line.content.get("kind") == "isolation"]
    assert kept[0].content["got"]["block"] == block
    assert visit.found["block at fault"]["conformity"] == "fail"


def test_a_pulsed_excitation_refuses_the_plain_source(visit: Visit) -> None:
    pulsed = ("full_mv_v = 2.0011", 'full_mv_v = 2.0011\nexcitation = "pulsed"\nduty = 0.5')
    assert visit.simulated("healthy", pulsed) == 4, visit.said
    withheld = {
        c["check"]: c["because"] for c in visit.document["checks"] if c["state"] == "withheld"
    }
    assert "no plain source" in withheld["mV/V fed, as found, transmitter"]
    feeds = [line.content["ask"] for line in visit.lines() if line.content.get("kind") == "feed"]
    assert not [ask for ask in feeds if ask != "off" and ask["kind"] == "dc-voltage"]


@contextmanager
def on_bench(folder: Path) -> Iterator[Trial]:
    """A trial on the sound chain; its bench is ended after it."""
    trial = Trial.new(folder / "run", quick_chain("healthy", folder))
    try:
        yield trial
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()


def test_a_visit_killed_while_the_source_feeds_goes_off_and_is_taken_up(tmp_path: Path) -> None:
    fed: list[int] = []

    def strike(line: Line) -> int:
        ask: Any = line.content.get("ask")
        if line.content.get("kind") == "feed" and ask != "off" and ask["value"] > 0.0:
            fed.append(line.number)  # the source stands at a value, and is on
        return signal.SIGKILL if fed else 0

    wanted = (PLAN, "hopper-3", "weighing-chain")
    with on_bench(tmp_path) as run:
        assert run.in_child(strike, *wanted) == -signal.SIGKILL
        with BenchWatch(run.control) as watch:
            _until_off(watch)
        assert run.conduct(lambda _: None, *wanted) == 0
        lines = read_journal(run.folder.journal)[0]
        again = [line for line in lines if line.what == "resumed"]
        assert again[0].content["guardian"]
        put_back = [
            line.content["prompt"]["text"]
            for line in lines
            if line.what == "prompt" and line.number > again[0].number
        ]
        assert put_back[0].startswith("Put back what is lifted of: home run S+")


def _until_off(watch: BenchWatch) -> None:
    deadline = time.monotonic() + 20.0
    while not watch.display("source").endswith("OFF"):
        assert time.monotonic() < deadline, watch.display("source")
        time.sleep(0.05)


class OwnSource(AutomaticTechnician):
    """Sets a source by hand, which shows a little more than was asked; types bare numbers."""

    def answer(self, prompt: Prompt) -> Answer:
        if "Set your source to" in prompt.text and prompt.text.endswith("what it shows, mA"):
            milliamps = float(prompt.by_itself.split()[0]) + 0.01
            return Answer(f"{milliamps:.3f}", "test")
        return super().answer(prompt)


def test_a_source_by_hand_counts_with_what_it_shows_in_the_unit_that_was_asked(
    tmp_path: Path,
) -> None:
    with on_bench(tmp_path) as run:
        file = run.folder.bench_file
        parts = re.split(r"(?m)^(?=\[)", file.read_text(encoding="utf-8"))
        kept = [part for part in parts if "instruments.source" not in part.splitlines()[0]]
        assert len(kept) < len(parts)
        file.write_text("".join(kept), encoding="utf-8")
        run.conduct(lambda _: None, PLAN, "hopper-3", "weighing-chain", technician=OwnSource)
        lines = read_journal(run.folder.journal)[0]
        names = {
            line.content["got"]["name"] for line in lines if line.content.get("kind") == "finding"
        }
        assert "as found: I6-I7 20.010 mA fed, display" in names
        assert not any("I6-I7 20.000 mA" in name for name in names)


class InTheZone(AutomaticTechnician):
    """Types `zone`, and refuses the first tick of the restore list once."""

    refused = False

    def answer(self, prompt: Prompt) -> Answer:
        if prompt.text.startswith("Hazardous area?"):
            return Answer("zone", "test")
        if prompt.text.startswith("Restore list") and not InTheZone.refused:
            InTheZone.refused = True
            return Answer("not yet", "test")
        return super().answer(prompt)


def test_in_the_zone_nothing_is_connected_and_an_open_item_is_asked_again(
    tmp_path: Path,
) -> None:
    InTheZone.refused = False
    with on_bench(tmp_path) as run:
        code = run.conduct(lambda _: None, PLAN, "hopper-3", "weighing-chain", technician=InTheZone)
        assert code == 4
        lines = read_journal(run.folder.journal)[0]
        assert not [line for line in lines if line.content.get("kind") in ("read", "feed")]
        asked = [line.content["prompt"]["text"] for line in lines if line.what == "prompt"]
        assert any(text.startswith("The visit is not closed before it is.") for text in asked)
        assert lines[-1].content["state"] == "finished"


LEFT = """
[[states]]
name = "as left"
time = 15:20:00
live = "0 kg"
transmitter_ratio = "0.42229 mV/V"
transmitter_current = "4.0003 mA"
display = "0.0 kg"

[[fed]]
at = "transmitter"
round = "as left"
time = 15:40:00
value = "1.42252 mV/V"
current = "19.9976 mA"
"""


def typed(folder: Path, *, restored: bool) -> str:
    """The shipped hopper-7 as a form that was typed in."""
    text = (EXAMPLES / "hopper-7.toml").read_text(encoding="utf-8")
    text = text.replace("typed_in_later = false", "typed_in_later = true")
    keys = ["signal_pairs", "sense_links", "covers", "loop", "forced_values", "inhibits"]
    ticks = "".join(
        f'{key} = "A. Technician (invented), 16:40"\n' for key in [*keys, "as_left_readings"]
    )
    if restored:
        text = text.replace("[vessel]", f"[restored]\n{ticks}\n[vessel]")
    path = folder / "hopper-7.toml"
    path.write_text(text + LEFT, encoding="utf-8")
    return str(path)


def test_a_form_typed_in_is_a_marked_record_with_its_report(visit: Visit, tmp_path: Path) -> None:
    assert visit.run("--chain", typed(tmp_path, restored=False), "--typed") == 2
    assert "restored.signal_pairs" in visit.said
    chain = typed(tmp_path, restored=True)
    assert visit.run("--chain", chain) == 2
    assert "--typed" in visit.said
    assert visit.run("--chain", chain, "--typed") == 1, visit.said
    box = visit.found["block at fault"]
    assert "junction box" in box["because"]
    assert any("typed in later" in mark for mark in box["marks"])
    # fed and read after the adjustment belongs to its own round, with its instruments' lines
    left = visit.found["as left: I4-I5 1.4225 mV/V fed at the transmitter, current"]
    assert left["value"] == pytest.approx(-2.4e-3 / 16.0 * 100.0, abs=1e-3)  # by hand
    assert any("typed in later" in mark for mark in left["marks"])
    names = {line["name"] for line in left["budget"]}
    assert {name.partition(",")[0] for name in names} == {"source of mV/V", "meter on mA"}
    times = [line for line in visit.lines() if line.content.get("kind") == "typed times"]
    assert times[0].content["got"]["as left"] == "15:20:00"
    report = "".join("".join(pages(Path(visit.document["certificate"]).read_bytes())).split())
    assert "Chainvisitreport" in report
    assert "intheplant" in report
    assert "Serialnumber" not in report
    assert "reportonavisittoaplant" in report
    assert "workshop'sowntestcertificate" not in report


def test_a_sequence_for_chains_takes_no_cell_and_the_other_way_round(visit: Visit) -> None:
    assert visit.run("--cell", "B-011902", "--simulated") == 2
    assert "give --chain FILE" in visit.said
    assert int(run_command(["run", "acceptance", "--chain", "hopper-3", "--simulated"])) == 2
    assert visit.run("--chain", "hopper-3", "--simulated", "--scenario", "healthy") == 3
    assert "has no transmitter to look at" in visit.document["message"]
