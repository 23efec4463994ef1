"""A cell marked for explosive atmospheres: whatever is run on it, first where it is, then no more.

Ordinary instruments are not allowed in such an atmosphere: common practice, no source; local
rules and licensed persons decide.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from acq.runs.journal import read_journal
from acq.runs.prompts import Answer, Prompt
from acq.runs.sequence import find_sequence
from acq.runs.technicians import AutomaticTechnician
from tests.bench_watch import BenchWatch
from tests.conducting import QUICK, Trial

TESTS = Path(__file__).parents[1]
MARKING = '\n[hazardous_area]\nmarking = "invented marking"\nmaximum_voltage = "12 V"\n'
PLATFORM = 'platform = "400 x 400 mm"\n'
PLANS = {
    "acceptance": str(QUICK),
    "check-standard": str(TESTS / "quick_check.toml"),
    "load-series": str(TESTS / "quick_load.toml"),
    "creep": str(TESTS / "quick_creep.toml"),
    "off-centre": str(TESTS / "quick_off_centre.toml"),
    "live": str(TESTS / "live.toml"),
    "log": "log",
}


class InTheZone(AutomaticTechnician):
    """Says that the cell is still where it works."""

    def answer(self, prompt: Prompt) -> Answer:
        if "in the zone" in prompt.choices:
            assert "licensed person" in prompt.caution
            return Answer("in the zone", "test")
        return super().answer(prompt)


@pytest.fixture
def marked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The papers of the example cell with a marking; return its serial."""
    examples = resources.files("acq.cells") / "examples"
    for part, name in (("types", "BB-SB500"), ("cells", "B-011902")):
        text = (examples / part / f"{name}.toml").read_text(encoding="utf-8")
        text = text.replace("[cable]", f"{MARKING}\n[cable]", 1) if part == "types" else text
        text = text.replace('loading = "beam"\n', f'loading = "beam"\n{PLATFORM}', 1)
        (tmp_path / "papers" / part).mkdir(parents=True)
        (tmp_path / "papers" / part / f"{name}.toml").write_text(text, encoding="utf-8")
    monkeypatch.setenv("BRIDGEBENCH_CELLS", str(tmp_path / "papers"))
    return "B-011902"


@pytest.mark.parametrize("sequence", [*PLANS, "log without excitation"])
def test_in_the_zone_nothing_is_connected(sequence: str, marked: str, tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "run")
    name = sequence.split()[0]
    plan = PLANS[name]
    if name != sequence:
        shipped = find_sequence(name).plans / "log.toml"
        text = shipped.read_text(encoding="utf-8").replace("[log]", "[log]\nexcited = false")
        (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
        plan = str(tmp_path / "plan.toml")
    try:
        code = trial.conduct(plan=plan, serial=marked, sequence=name, technician=InTheZone)
    finally:
        with BenchWatch(trial.control) as watch:
            assert watch.energised() == []
            watch.end()
    lines = read_journal(trial.folder.journal)[0]
    assert code == 2
    assert "marked invented marking and in the zone" in lines[-1].content["because"]
    assert not [line for line in lines if line.content.get("kind") == "read"]
    assert not [line for line in lines if line.what == "state"]
