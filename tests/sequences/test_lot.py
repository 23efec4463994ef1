"""A lot in fixtures: each piece judged and recorded by itself, what waits is shared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from acq.bench.bench_file import bench_file_from_text
from acq.cells.lot_subject import lot_papers
from acq.desk import lot_report
from acq.errors import WrongInput
from acq.records.recorded_run import RecordedRun
from acq.records.records import Records
from acq.runs.journal import Line, line_of, read_journal
from acq.runs.lot_journals import piece_journals
from drivers.written_file import FileError
from tests.bench_watch import BenchWatch
from tests.conducting import Trial, kill_at_line

QUICK = str(Path(__file__).parents[1] / "quick_lot.toml")
SCENARIO = """
title = "six in three fixtures: one is an outlier of its lot, one leaks"
[lot]
name = "T"
cells = 6
positions = 3
[[lot.piece]]
number = 2
output_ohms = 352.6
[[lot.piece]]
number = 6
insulation_ohms = 1e9
"""
LOT = 'lot = "T"\ntype = "BB-SB500"\nserials = ["T-01", "T-02", "T-03", "T-04", "T-05", "T-06"]\n'


@dataclass(frozen=True)
class Outcome:
    """A lot that was tested: its journal, and what the records hold."""

    code: int
    lines: list[Line]
    lot: RecordedRun
    pieces: list[lot_report.LotPiece]
    valid: bool

    def checks(self, name: str) -> list[str]:
        """The keys of the checks of the lot's run that begin so."""
        return [
            line.content["check"]
            for line in self.lines
            if line.what == "check-opened" and line.content["check"].startswith(name)
        ]

    def piece(self, serial: str) -> lot_report.LotPiece:
        return next(piece for piece in self.pieces if piece.serial == serial)


def trial_of(path: Path, scenario: str = SCENARIO, lot: str = LOT) -> tuple[Trial, str]:
    """Return a trial on a bench with that lot, and the lot's file."""
    (path / "scenario.toml").write_text(scenario, encoding="utf-8")
    (path / "lot.toml").write_text(lot, encoding="utf-8")
    return Trial.new(path / "run", str(path / "scenario.toml")), str(path / "lot.toml")


def ended(trial: Trial, code: int) -> Outcome:
    with BenchWatch(trial.control) as watch:
        watch.end()
    lines = read_journal(trial.folder.journal)[0]
    address = f"sqlite:///{trial.folder.path / 'records.sqlite'}"
    with Records.open(address, simulated=True) as records:
        lot = records.run("run")
        return Outcome(code, lines, lot, lot_report.pieces_of(records, lot), records.verify().sound)


def test_a_lot_of_six_in_three_fixtures(tmp_path: Path) -> None:
    """Tested once for all the looks at it; the lot of twenty: tests/campaigns/lot_of_twenty.py."""
    (tmp_path / "whole").mkdir()
    trial, papers = trial_of(tmp_path / "whole")
    tested = ended(trial, trial.conduct(plan=QUICK, serial=papers, sequence="lot"))
    _an_outlier_that_its_data_sheet_lets_pass_is_held(tested)
    _the_leaking_piece_alone_fails_and_all_others_get_a_bound(tested)
    _the_guilty_one_is_found_with_few_dwells(tested)
    _a_sound_load_takes_one_dwell_for_each_path(tested)
    _what_waits_is_done_once_for_a_load_and_one_supply_excites_all(tested)
    _every_piece_has_a_run_of_its_own_that_holds_its_readings(tested)
    _the_report_names_each_cell_and_the_lot_by_itself(tested)
    (tmp_path / "killed").mkdir()
    _a_killed_lot_goes_on_where_it_was_and_asks_for_the_fixtures_again(tmp_path / "killed", tested)


def _an_outlier_that_its_data_sheet_lets_pass_is_held(tested: Outcome) -> None:
    outlier = tested.piece("T-02")
    assert outlier.papers == "pass"
    assert outlier.beyond == ["resistance S+ S-"]
    assert outlier.proposed == "hold"
    found = outlier.findings["resistance S+ S-, distance from the lot"]
    assert found["limits"][0]["source"].startswith("lot T: median 351.")
    # 352.6 ohm against drawn cells about the papers' 351.3 ohm, 0.02 % apart
    assert found["value"] == pytest.approx(352.6 - 351.3, abs=0.15)
    assert found["expanded_uncertainty"] < 0.01  # the meter's gain cancels
    sound = [piece for piece in tested.pieces if piece.serial not in ("T-02", "T-06")]
    assert [piece.proposed for piece in sound] == ["accept"] * 4


def _the_leaking_piece_alone_fails_and_all_others_get_a_bound(tested: Outcome) -> None:
    """Ohm's law: each of a joined group has at least what they read together."""
    guilty = tested.piece("T-06")
    found = guilty.findings["insulation leads to housing"]
    assert guilty.papers == "fail"
    assert guilty.proposed == "reject"
    assert found["conformity"] == "fail"
    # 1 Gohm to shield and housing together: 2 Gohm to each, less what the scanner leaks
    assert found["value"] == pytest.approx(2e9, rel=0.3)
    for piece in tested.pieces:
        if piece is not guilty:
            bound = piece.findings["insulation leads to housing"]
            assert bound["limit_kind"] == "above"
            assert bound["conformity"] == "pass"
            assert 5e9 < bound["value"] < 5e10


def _the_guilty_one_is_found_with_few_dwells(tested: Outcome) -> None:
    """Three joined fail, the first alone passes: what is left convicts the others' group."""
    dwells = [key for key in tested.checks("insulation joined") if "T-04" in key or "T-05" in key]
    alone = tested.checks("T-06: insulation, leads to")
    assert [key.split(" of ")[1] for key in dwells[:3]] == ["3 cells, T-04 to T-06", "T-04", "T-05"]
    assert not any("T-05 and T-06" in key for key in dwells)
    assert not any("shield of T-06" in key for key in tested.checks("insulation joined"))
    assert alone[:2] == ["T-06: insulation, leads to housing", "T-06: insulation, leads to shield"]


def _a_sound_load_takes_one_dwell_for_each_path(tested: Outcome) -> None:
    joined = tested.checks("insulation joined")
    sound = [key for key in joined if "T-01 to T-03" in key]
    assert len(sound) == 2, joined  # leads to both, shield to housing
    assert not any(key.startswith("T-01: insulation joined") for key in joined)


def _what_waits_is_done_once_for_a_load_and_one_supply_excites_all(tested: Outcome) -> None:
    assert len(tested.checks("warm-up")) == 2  # loads
    currents = [
        line.content["got"]
        for line in tested.lines
        if line.content.get("kind") == "finding" and "supply current of" in line.content["ask"]
    ]
    assert [each["conformity"] for each in currents] == ["pass", "pass"]
    # three bridges of 385 ohm at 10 V less two relay contacts of 0.3 ohm each
    assert currents[0]["value"] == pytest.approx(3 * 10 / 385.7, rel=0.01)


def _every_piece_has_a_run_of_its_own_that_holds_its_readings(tested: Outcome) -> None:
    assert tested.code == 1
    assert tested.valid
    address = {piece.serial: piece.run for piece in tested.pieces}
    assert address["T-03"] == "run-03"
    of_lot = {line.number: line.content for line in tested.lines}
    for journal in piece_journals(tested.lines):
        contents = [line.content for line in map(line_of, journal.lines)]
        assert contents[0]["cell"]["serial"] == journal.serial
        assert contents[0]["lot"]["pieces"] == 6
        for content in contents[1:-1]:
            taken_from = of_lot[content["lot_line"]]
            assert taken_from["t"] == content["t"]
            assert content.get("got") == taken_from.get("got") or content["kind"] == "finding"
            others = {f"T-{n:02}: " for n in range(1, 7)} - {f"{journal.serial}: "}
            assert not any(str(taken_from.get("check", "")).startswith(x) for x in others)


def _the_report_names_each_cell_and_the_lot_by_itself(tested: Outcome) -> None:
    from acq.desk.tables import Table, plain

    told = "\n".join(
        plain(part) if isinstance(part, Table) else part
        for part in lot_report.parts(tested.lot, tested.pieces)
    )
    assert "T-02" in told
    assert "beyond: resistance S+ S-" in told
    assert "4 accept, 1 hold, 1 reject" in told
    compared = lot_report.comparison_of(tested.lot)
    assert {each["name"]: each["beyond"] for each in compared}["resistance S+ S-"] == ["T-02"]


def _a_killed_lot_goes_on_where_it_was_and_asks_for_the_fixtures_again(
    tmp_path: Path, tested: Outcome
) -> None:
    """Killed while the second load is excited: what the first load gave is not read again."""
    at = next(
        line.number
        for line in tested.lines
        if line.content.get("check") == "T-05: signal, reversed"
    )
    trial, papers = trial_of(tmp_path)
    assert trial.in_child(kill_at_line(at), QUICK, papers, "lot") == -9
    again = ended(trial, trial.conduct())
    assert again.code == tested.code
    assert again.valid
    assert [piece.proposed for piece in again.pieces] == [x.proposed for x in tested.pieces]
    assert len(again.checks("T-02: pair resistance, Ex+ Ex-")) == len(
        tested.checks("T-02: pair resistance, Ex+ Ex-")
    )
    asked = [
        line.content["prompt"]["text"]
        for line in again.lines
        if line.what == "prompt" and "fixtures" in line.content["prompt"]
    ]
    assert [text[:11] for text in asked] == ["Load 1 of 2", "Load 2 of 2", "Load 2 of 2"]
    with Records.open(
        f"sqlite:///{trial.folder.path / 'records.sqlite'}", simulated=True
    ) as records:
        first, last = records.run("run-01"), records.run("run-05")
    # of the first load only the comparison with the lot comes after the kill
    after = [line.what for line in first.lines].index("resumed")
    assert {line.content.get("check") for line in first.lines[after + 1 : -1]} == {
        "lot comparison",
        "lot",
    }
    assert any(
        line.content.get("check") == "signal, reversed"
        for line in last.lines[[line.what for line in last.lines].index("resumed") :]
    )


def test_a_supply_of_little_current_excites_fewer_at_once(tmp_path: Path) -> None:
    trial, papers = trial_of(
        tmp_path,
        SCENARIO.replace("cells = 6", "cells = 3").split("[[")[0],
        LOT.replace(', "T-04", "T-05", "T-06"', ""),
    )
    text = trial.folder.bench_file.read_text().replace(
        "maximum_amperes = 0.5", "maximum_amperes = 0.09"
    )
    trial.folder.bench_file.write_text(text)
    plan = Path(QUICK).read_text().replace("warm_up_s = 60.0", "warm_up_s = 5.0")
    (tmp_path / "plan.toml").write_text(plan)
    told = ended(
        trial, trial.conduct(plan=str(tmp_path / "plan.toml"), serial=papers, sequence="lot")
    )
    # 10 V on at least 373 ohm is 27 mA: two and one for margin are 80 mA, three would be 107 mA
    assert told.checks("warm-up") == [
        "warm-up, 2 cells from T-01, load 1",
        "warm-up, T-03, load 1",
    ]
    assert told.code == 0  # three are no lot to compare with: told, not judged
    assert lot_report.comparison_of(told.lot) == []
    assert [piece.by_lot for piece in told.pieces] == ["", "", ""]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('lot = "T"\ntype = "BB-SB500"\nserials = ["A", "A"]', "serials: 'A' stands here twice"),
        ('lot = "T"\ntype = "BB-SB500"\nserials = ["C-003358"]', "is of type BB-ST2T"),
        ('lot = "T"\ntype = "BB-SB501"\nserials = ["A"]', "no data sheet of type 'BB-SB501'"),
        ('lot = "T"\ntype = "BB-SB500"\nserials = []', "serials"),
        ('lot = "../T"\ntype = "BB-SB500"\nserials = ["A"]', "lot"),
    ],
)
def test_a_wrong_lot_is_refused_in_one_line(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "lot.toml").write_text(text)
    with pytest.raises((FileError, WrongInput), match=said) as told:
        lot_papers(str(tmp_path / "lot.toml"))
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("relay", "said"),
    [
        ({"position": 0}, "position"),
        ({"position": 1}, "join ('dmm HI', 'Ex+', 'position 1') stands here twice"),
    ],
)
def test_a_fixture_stands_once_in_a_bench_file(relay: Mapping[str, Any], said: str) -> None:
    text = (
        'name = "b"\n[instruments.scanner]\nresource = "R"\ndialect = "scpi-scanner"\n'
        '[[connections.relay]]\nchannel = 1\nterminal = "dmm HI"\nlead = "Ex+"\n'
        '[[connections.relay]]\nchannel = 2\nterminal = "dmm HI"\nlead = "Ex+"\nposition = '
    )
    with pytest.raises(FileError) as told:
        bench_file_from_text(f"{text}{relay['position']}\n", "bench")
    assert said in str(told.value)
    whole = bench_file_from_text(f"{text}3\n", "bench")
    assert whole.connections.positions() == (1, 3)


BY_HAND = SCENARIO.replace("[lot]", "[instruments.scanner]\nmissing = true\n[lot]", 1)


def test_a_lot_without_a_scanner_shares_what_waits(tmp_path: Path) -> None:
    """The same six cells, clipped by hand one beside the other: the same judgement."""
    trial, papers = trial_of(tmp_path, BY_HAND)
    plan = tmp_path / "plan.toml"
    text = Path(QUICK).read_text(encoding="utf-8")
    plan.write_text(text.replace("[lot]", "[lot]\nplaces_by_hand = 3"), encoding="utf-8")
    tested = ended(trial, trial.conduct(plan=str(plan), serial=papers, sequence="lot"))
    _an_outlier_that_its_data_sheet_lets_pass_is_held(tested)
    assert tested.piece("T-06").proposed == "reject"
    assert tested.piece("T-06").findings["insulation leads to housing"]["conformity"] == "fail"
    assert [tested.piece(f"T-0{n}").proposed for n in (1, 3, 4, 5)] == ["accept"] * 4
    # one warm-up for each load of three, and a short look at each zero
    assert len(tested.checks("warm-up")) == 2
    assert len([key for key in tested.checks("T-") if "zero at rest" in key]) == 6
    asked = [line.content["prompt"]["text"] for line in tested.lines if line.what == "prompt"]
    assert any(text.startswith("Load 1 of 2. Lay the cells side by side") for text in asked)
    turned = [text for text in asked if "Exchange, at the instrument, supply + and" in text]
    assert len(turned) == 2, turned  # of all cells at once, at the supply
    row = "Clip: supply + to Ex+ at each of positions 1 and 2;"  # on the third it is already
    assert len([text for text in asked if row in text]) == 2
    onward = (
        "Move supply +, supply -, supply sense + and supply sense - from position 1 to the same"
    )
    assert len([text for text in asked if text.startswith(onward)]) == 2
    # a pair is one clip that moves; whatever else is read moves both wires of the meter
    assert all(text.count("Move") <= 2 for text in asked)


def test_the_calibration_resistor_of_each_cell_is_linked_in_its_fixture(tmp_path: Path) -> None:
    """R / (4 Rs + 2 R) of an ideal bridge, as for one cell alone (Kirchhoff's laws for one arm)."""
    scenario = '[cell]\npapers = "F-000310"\n[lot]\nname = "S"\ncells = 2\npositions = 2\n'
    trial, papers = trial_of(
        tmp_path,
        f'title = "two with calibration resistors"\n{scenario}',
        'lot = "S"\ntype = "BB-SC500"\nserials = ["S-01", "S-02"]\n',
    )
    tested = ended(trial, trial.conduct(plan=QUICK, serial=papers, sequence="lot"))
    assert tested.code == 0
    for piece in tested.pieces:
        found = piece.findings["shunt output, arm C"]
        assert found["value"] == pytest.approx(-350 / (4 * 59_880 + 2 * 350), rel=5e-3)
        against = piece.findings["shunt output, arm C, against the lead pairs"]
        assert against["conformity"] == "pass"
    asked = [line.content["prompt"]["text"] for line in tested.lines if line.what == "prompt"]
    assert "The lead shunt leads to the cell's calibration resistor: leave it open" in asked[0]
    told = [text for text in asked if text.startswith("Calibration resistor")]
    assert [("S-01 at position 1" in text, "S-02 at position 2" in text) for text in told] == [
        (True, False), (True, False), (False, True), (False, True),
    ]  # fmt: skip
