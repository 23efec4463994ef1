"""A first morning with no instrument that has a link, walked at a real terminal.

From an empty folder: the bench written down by questions, the papers of a type and of a serial, a
returned cell tested by typed readings to its certificate, then one with a fault. The person of
this walk knows nothing but the screen; cells, instruments and papers are invented.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

from acq.bench.bench_file import read_bench_file
from acq.cells.folder import find_cell
from tests.acq.certificates.pdf_text import pages
from tests.at_terminal import AtTerminal
from tests.bench_watch import BenchWatch
from tests.simulated_bench.forked import fork_simulated_bench

BENCH = {
    "name of the bench": ["Bench by hand"],
    "dmm: its VISA": ["hand"],
    "supply: its VISA": ["hand"],
    "insulation: its VISA": ["hand"],
    "certificate": ["C-1", "C-2", "C-3"],
    "calibrated": ["2026-01-15"] * 3,
    "due": ["2027-01-15"] * 3,
    "accuracy of dmm": ["dc-voltage", "dc-voltage", "resistance"],
    "accuracy of supply": ["voltage", "current"],
    "accuracy of insulation": ["insulation-resistance", "dc-voltage"],
    "range (in V": ["100 mV", "10 V"],
    "range (in ohm": ["1 k"],
    "accuracy as printed": [
        *("50 ppm + 35 ppm", "35 ppm + 5 ppm", "100 ppm + 10 ppm"),
        *("0.05 % + 5 mV", "0.2 % + 5 mA", "5 %", "3 %"),
    ],
    "manual and page": ["page 12 (invented)"] * 3,
    "all else": ["y"] * 4,
}
TYPE = {
    "electronics": ["none"],
    "gauges": ["foil"],
    "capacity": ["500 kg"],
    "rated output": ["2 mV/V ± 0.1 %"],
    "zero balance": ["± 1 %RO"],
    "input resistance": ["385 ± 12 ohm"],
    "output resistance": ["351 ± 2 ohm"],
    "insulation resistance": [">= 5 Gohm"],
    "excitation (": ["5 to 12 V"],
    "excitation maximum": ["15 V"],
    "shield to housing": ["not connected"],
    "revision": ["."],  # what follows, the electrical test does not need
    "wires": ["6"],
    "length": ["5 m"],
    "conductor area": ["0.25 mm2"],
    "layout": ["symmetrical"],
}
CELL = {
    "type": ["MY-500"],
    "is there an individual": ["y"],
    "date": ["2024-03-11"],
    "zero balance": ["-0.0064 mV/V"],
    "input resistance": ["385.1 ohm"],
}
# a question of a run: keys to press, or a display to type
ASKED = re.compile(r"(?s)>> (.*?)(?:\[[^\]\n]*\]\s*\n|The simulated display: (\S[^\n]*?)\s*\n)")


def fill_in(arguments: list[str], folder: Path, answers: Mapping[str, list[str]]) -> str:
    """Answer the questions of a form by their words, all others by Return; return the screen."""
    left = {label: list(lines) for label, lines in answers.items()}
    terminal = AtTerminal(arguments, folder)
    while (asked := terminal.until(r"([^\n]+): $")) is not None:
        label = next((each for each in left if asked[1].startswith(each) and left[each]), "")
        terminal.type(left[label].pop(0) if label else "")
    assert terminal.end() == 0, terminal.screen[-2000:]
    assert not any(left.values()), f"never asked: {left}"
    return terminal.screen


def test_by_hand(folder: Path, serial: str, plan: str, scenario: str) -> tuple[int, str, list[str]]:
    """Test a cell at the bench of the walk; return exit code, screen and what was asked."""
    control, _ = fork_simulated_bench(scenario)
    bench = folder / "bench.toml"
    standing = bench.read_text(encoding="utf-8").partition("\n[simulation]")[0]
    where = f'\n[simulation]\ncontrol = "{control}"\nscenario = "walk"\n'
    bench.write_text(standing + where, encoding="utf-8")
    terminal = AtTerminal(
        [
            *("run", "acceptance", "--cell", serial, "--bench", "bench.toml", "--plan", plan),
            *("--as-found", "--prompts", "--by", "E. Example (invented)"),
        ],
        folder,
    )
    asked: list[str] = []
    try:
        while (found := terminal.until(ASKED.pattern)) is not None:
            asked.append(" ".join(found[1].split()))
            terminal.type(found[2] or "")
        return terminal.end(), terminal.screen, asked
    finally:
        with BenchWatch(control) as watch:
            watch.end()


test_by_hand.__test__ = False  # type: ignore[attr-defined]  # its name begins like a test


@pytest.fixture
def morning(tmp_path: Path) -> Path:
    """A folder after the forms were filled in."""
    folder = tmp_path / "morning"
    folder.mkdir()
    said = fill_in(["bench", "new", "-o", "bench.toml"], folder, BENCH)
    assert "taken down: insulation-resistance, every range: 5 % of reading" in said
    fill_in(["sheet", "add", "MY-500", "--type"], folder, TYPE)
    fill_in(["cell", "add", "4711"], folder, CELL)
    return folder


def test_a_returned_cell_and_one_with_a_fault(morning: Path, tmp_path: Path) -> None:
    file = read_bench_file(morning / "bench.toml")
    assert all(entry.by_hand for entry in file.instruments.values())
    assert find_cell("4711").sheet is not None

    code, screen, asked = test_by_hand(morning, "4711", "returned-cell", "all-by-hand")
    assert code == 0, screen[-3000:]
    # the simulated cell as its own netlist has it: 385.1 ohm
    assert re.search(r"\[\+\] resistance Ex\+ Ex- +385\.1\d\d ohm ± 0\.0\d+ ohm", screen)
    assert re.search(r"\[\+\] zero balance +-0\.006\d* mV/V", screen)
    assert "told, not judged: the supply's ammeter is too coarse" in screen
    assert "answered" not in screen  # nobody is told what he has just typed
    moves = [text for text in asked if text.startswith("Move dmm")]
    assert all(text.count("Move") == 1 for text in moves[:14]), moves
    assert asked[0].startswith("Stop the insulation test")  # nothing is clipped before it is off
    by_eye = [text for text in asked if "lowest that it showed" in text]
    assert len(by_eye) == 9  # three pairs at three places, and nobody types ten readings each
    assert len(asked) < 220
    certificate = re.search(r"certificate: (\S+\.pdf)", screen)
    assert certificate is not None
    printed = "".join(pages(Path(certificate[1]).read_bytes()))
    for words in ("E.Example(invented)", "4711", "SIMULATED", "C-1", "asfound"):
        assert words in printed.replace(" ", ""), words

    fault = tmp_path / "fault.toml"
    hands = "".join(
        f"[instruments.{role}]\nby_hand = true\n" for role in ("dmm", "supply", "insulation")
    )
    fault.write_text(
        f'title = "an open arm, and no link"\n[instruments.scanner]\nmissing = true\n{hands}'
        '[[fault]]\nkind = "open"\nelement = "arm A"\n'
    )
    code, screen, asked = test_by_hand(morning, "4711", "quick-look", str(fault))
    assert code == 1, screen[-3000:]
    assert re.search(r"\[-\] resistance Ex\+ S\+ .*fail", screen)
    assert "open-arm" in screen
    assert len(asked) < 160  # a zero far out is read in a coarse range, and not for ever
    assert re.search(r"certificate: \S+\.pdf", screen)
