"""A run on a terminal: findings in words, what they rest on below, prompts with caution."""

from __future__ import annotations

from io import StringIO

import pytest
from rich.console import Console

from acq.desk.live_view import LiveView
from acq.records.recorded_run import RecordedRun
from acq.runs.prompts import Prompt
from tests.acq.certificates import runs

WIDE, NARROW = 100, 80


def shown(prompt: Prompt | None = None, width: int = WIDE) -> str:
    console = Console(file=StringIO(), width=width, force_terminal=False, record=True)
    view = LiveView(prompts=True, console=console)
    for line in RecordedRun.of("run", runs.faulty().data).lines:
        view.see(line)
    if prompt is not None:
        view.show_prompt(prompt)
    view.close()
    return console.export_text()


def test_each_finding_has_its_word_and_what_it_rests_on() -> None:
    lines = shown().splitlines()
    for word in ("pass", "conditional pass", "conditional fail", "fail", "undecided", "withheld"):
        assert any(line.rstrip().endswith(f" {word}") for line in lines), word
    failed = next(n for n, line in enumerate(lines) if "insulation leads to shield" in line)
    assert " 12 Mohm " in lines[failed]
    assert lines[failed + 1].startswith("      limits at least 5 Gohm")
    assert "polarity reversed: 9 Mohm" in "".join(lines[failed + 1 : failed + 4])


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_what_does_not_fit_hangs_below_its_beginning(width: int) -> None:
    for line in shown(width=width).splitlines():
        assert len(line) <= width
        assert line.startswith((" ", "[", "SIMULATED", "run ")) or not line.strip(), line


def test_on_eighty_columns_a_word_stands_beside_its_value() -> None:
    lines = [line.rstrip() for line in shown(width=NARROW).splitlines()]
    assert any("12 Mohm  fail" in line for line in lines)
    assert not any(line.strip() in ("pass", "fail", "told", "withheld") for line in lines)


def test_a_prompt_shows_its_caution_and_its_choices() -> None:
    text = shown(
        Prompt(text="50 V go on. Hands off?", caution="Test voltage.", choices=("yes", "no"))
    )
    assert "  CAUTION  Test voltage." in text
    assert "  >> 50 V go on. Hands off? [yes / no]" in text
