"""Steps of a visit that need another bench or another plan: two meters, cold ohms, stand-ins.

That a source must float and stand at the middle of the excitation, and that ohms need the supply
proven off, are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from acq.runs.journal import Line, read_journal
from acq.runs.prompts import Answer, Prompt
from acq.runs.technicians import AutomaticTechnician
from tests.bench_watch import BenchWatch
from tests.conducting import Trial
from tests.sequences.quick_chains import quick_chain

QUICK = Path(__file__).parent.parent / "quick_chain.toml"


def quick_plan(folder: Path, *changes: tuple[str, str]) -> str:
    """The shortest plan with changes that must all apply."""
    text = QUICK.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


class Visited:
    """What the journal of a visit holds."""

    def __init__(self, lines: list[Line], code: int) -> None:
        self.lines, self.code = lines, code
        self.prompts = [line.content["prompt"] for line in lines if line.what == "prompt"]
        found = [e["got"] for e in self.effects("finding")]
        self.found = {str(each["name"]): each for each in found}

    def effects(self, kind: str) -> list[dict[str, Any]]:
        """All effects of one kind."""
        return [dict(line.content) for line in self.lines if line.content.get("kind") == kind]

    def budget(self, finding: str) -> set[str]:
        """The instruments and influences that a finding's uncertainty comes from."""
        return {str(line["name"]) for line in self.found[finding]["budget"]}


@contextmanager
def visited(
    folder: Path, scenario: str, plan: str,
    technician: type[AutomaticTechnician] = AutomaticTechnician,
) -> Iterator[Visited]:  # fmt: skip
    """A whole visit on its own bench."""
    trial = Trial.new(folder / "run", scenario)
    try:
        code = trial.conduct(
            lambda _: None, plan, "hopper-3", "weighing-chain", technician=technician
        )
        yield Visited(list(read_journal(trial.folder.journal)[0]), code)
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()


def test_two_meters_take_mv_and_ma_together_and_cold_ohms_and_loads_are_read_as_left(
    tmp_path: Path,
) -> None:
    scenario = quick_chain(
        "healthy", tmp_path,
        ("[instruments.source]", "[instruments.source]\n[instruments.second-dmm]"),
    )  # fmt: skip
    plan = quick_plan(
        tmp_path,
        ("measure = false", "measure = true"),
        ("corner_kilograms = 300.0", "corner_kilograms = 300.0\nas_left_kilograms = 900.0"),
    )  # fmt: skip
    with visited(tmp_path, scenario, plan) as seen:
        assert seen.code == 0
        together = [e["ask"]["roles"] for e in seen.effects("read together")]
        assert {"dmm", "second-dmm"} == {role for roles in together for role in roles}
        for kept in seen.effects("triplet"):
            times = kept["got"]["seconds"]
            assert times["first pair"] < times["display"] < times["last pair"]
            # IEC 60381-1: the current of the moment stands for the ratio of the moment
            expected = 4.0 + 16.0 * kept["got"]["mV/V"] / 2.0011
            assert kept["got"]["mA"] == pytest.approx(expected, abs=0.02)
        top = "as found: I4-I5 2.0011 mV/V fed at the transmitter, current"
        lines = seen.budget(top)
        for part in ("source gain", "source offset", "dmm gain, dc-current", "second-dmm gain"):
            assert any(name.startswith(part) for name in lines), (part, lines)
        # what the two ends of the loop share cancels: far finer than one reading
        loop = seen.found[
            "as found: I5-I6 current at the input against the transmitter's (as found)"
        ]
        fed = seen.found[top]
        assert loop["expanded_uncertainty"] < 0.2 * fed["expanded_uncertainty"]
        # the sheet of the example cell: 385.1 and 351.3 ohm
        assert seen.found["K-1 cold, Ex+ to Ex-"]["value"] == pytest.approx(385.1, abs=0.3)
        assert seen.found["K-3 cold, S+ to S-"]["value"] == pytest.approx(351.3, abs=0.3)
        left = [name for name in seen.found if name.startswith("as left: I0-")]
        assert len([name for name in left if "mean of the corners" in name]) == 3
        assert len([name for name in left if "known load" in name]) == 1


class Careless(AutomaticTechnician):
    """Leaves the transmitter's supply on, and types a display wrongly before rightly."""

    said = 0

    def answer(self, prompt: Prompt) -> Answer:
        if "transmitter supply" in prompt.lift:
            return Answer("done", "test")
        if prompt.display == "control-system" and Careless.said < 2:
            Careless.said += 1
            return Answer("12,5,3" if Careless.said == 1 else "99999", "test")
        return super().answer(prompt)


def test_an_earthed_source_stops_before_it_feeds_and_no_ohms_without_proof_of_off(
    tmp_path: Path,
) -> None:
    scenario = quick_chain(
        "healthy", tmp_path,
        ("full_mv_v = 2.0011", "full_mv_v = 2.0011\nexcitation_earth_ohms = 0.1"),
        ("[instruments.source]", "[instruments.source]\nearthed = true"),
    )  # fmt: skip
    plan = quick_plan(tmp_path, ("measure = false", "measure = true"))
    Careless.said = 0
    with visited(tmp_path, scenario, plan, Careless) as seen:
        volts = [e["ask"] for e in seen.effects("feed") if e["ask"] != "off"]
        assert {ask["value"] for ask in volts if ask["kind"] == "dc-voltage"} == {0.0}
        because = " ".join(str(line.content.get("because", "")) for line in seen.lines)
        assert "the source does not float" in because
        assert "supply not proven off" in because
        assert not [e for e in seen.effects("read") if e["ask"]["quantity"] == "resistance"]
        asked = [p["text"] for p in seen.prompts if p.get("display") == "control-system"]
        assert "hard to believe" in asked[2]
        lifted = {wire for p in seen.prompts for wire in p.get("lift", ())}
        restored = {wire for p in seen.prompts for wire in p.get("restore", ())}
        assert lifted <= restored


@pytest.mark.parametrize("common", ["middle", "floating"])
def test_two_resistors_take_the_cells_place_and_a_floating_source_counts_in_the_budget(
    tmp_path: Path, common: str
) -> None:
    stand_in = ("[stand_in]\n", f'[stand_in]\nload = "resistors"\ncommon_mode = "{common}"\n')
    plan = quick_plan(tmp_path, stand_in)
    with visited(tmp_path, quick_chain("healthy", tmp_path), plan) as seen:
        top = "as found: I4-I5 2.0011 mV/V fed at the transmitter, current"
        name = "common mode of the source, off the middle of the excitation"
        line = {b["name"]: b["standard_uncertainty"] for b in seen.found[top]["budget"]}[name]
        # 1 uV/V of half the excitation, rectangular, of a span of 2.0011 mV/V, in % (by hand)
        floating = 1e-6 * 0.5 / math.sqrt(3.0) / 2.0011e-3 * 100.0
        if common == "floating":
            assert line == pytest.approx(floating, rel=1e-3)
            # the simulated transmitter takes its input at Ex- for 0.5 uV/V, 0.025 % of span
            assert abs(seen.found[top]["value"]) < 0.1
        else:
            assert line < 0.05 * floating
        fitted = {name for p in seen.prompts for name in p.get("fit", {})}
        assert {"load resistor +", "load resistor -"} <= fitted
        ticked = " ".join(p["text"] for p in seen.prompts if p["text"].startswith("Restore list"))
        assert all(f"{name} taken off" in ticked for name in fitted)
        assert seen.code == 0
