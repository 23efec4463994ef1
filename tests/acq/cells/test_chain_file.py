"""The file of a weighing chain: what a person may write, and what a mistake says."""

from __future__ import annotations

from pathlib import Path

import pytest

from acq.analysis.chain_papers import Kind
from acq.cells import paper_units as units
from acq.cells.chain_file import Accuracy
from acq.cells.chain_visit import EXAMPLES, read_chain
from drivers.written_file import FileError

HEAD = """
name = "Bin"
[vessel]
dead_load = "200 kg"
dead_load_uncertainty = "1 kg"
[home_run]
sensed = false
length = "50 m"
conductor_area = "0.5 mm2"
[transmitter]
ratio_at_4_mA = "0.2 mV/V"
ratio_at_20_mA = "1.2 mV/V"
[control_system]
lower = "0 kg"
upper = "1000 kg"
digit = "1 kg"
"""
CELL = """
[[cells]]
name = "1"
type = "BB-SB500"
[[cells]]
name = "2"
serial = "B-011902"
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "chain.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_the_cable_of_a_six_wire_cell_takes_is_counted_or_said(tmp_path: Path) -> None:
    def kept(more: str) -> tuple[float, tuple[str, ...]]:
        visit = read_chain(written(tmp_path, HEAD + CELL + more))
        return visit.chain.cells[1].excitation_kept, visit.notes

    # 5 m of 0.25 mm2: 0.35 ohm a conductor, half of it in each of the joined leads
    assert kept("")[0] == pytest.approx(1 - 0.35 / 385.1, rel=1e-5)
    assert kept('sense_leads = "open"')[0] == pytest.approx(1 - 0.70 / 385.1, rel=1e-5)
    assert kept('conductor_resistance = "1 ohm"')[0] == pytest.approx(1 - 1.0 / 384.1, rel=1e-5)
    assert kept("wires = 4")[0] == 1.0
    with pytest.raises(
        FileError, match=r"cells\.1\.conductor_resistance: two conductors of 200 ohm"
    ):
        kept('conductor_resistance = "200 ohm"')
    bare = CELL.replace(
        'serial = "B-011902"', 'wires = 6\nrated_output = "2 mV/V"\ncapacity = "5 t"'
    )
    bare += 'input_resistance = "385 ohm"\noutput_resistance = "351 ohm"'
    visit = read_chain(written(tmp_path, HEAD + bare))
    assert visit.chain.cells[1].excitation_kept == 1.0
    assert any("2: 6 wires, but no paper tells" in note for note in visit.notes)


def test_gaps_are_filled_from_the_papers_and_said(tmp_path: Path) -> None:
    visit = read_chain(written(tmp_path, HEAD + CELL))

    first, second = visit.chain.cells
    assert first.rated_output == pytest.approx(2.0e-3)  # nominal of the type
    assert second.rated_output == pytest.approx(2.0011e-3)  # of its own sheet
    assert second.zero == pytest.approx(-6.4e-6)
    assert first.share == second.share == 0.5
    assert visit.chain.conductor_ohms == pytest.approx(1.95)  # 39 ohm/km, IEC 60228 class 5
    assert any("1: rated_output taken from its type" in note for note in visit.notes)
    assert any("gravity" in note for note in visit.notes)


def test_a_span_that_the_papers_themselves_contradict_is_said(tmp_path: Path) -> None:
    text = HEAD.replace('ratio_at_20_mA = "1.2 mV/V"', 'ratio_at_20_mA = "2.2 mV/V"') + CELL
    visit = read_chain(written(tmp_path, text))

    assert any("contradict" in note for note in visit.notes)


def test_a_kilogram_weighs_by_the_gravity_of_its_place(tmp_path: Path) -> None:
    text = HEAD.replace('"1 kg"\n[home', '"1 kg"\ngravity = "9.7803 m/s2"\n[home') + CELL
    second = read_chain(written(tmp_path, text)).chain.cells[1]

    assert second.rated_output == pytest.approx(2.0011e-3 * 9.7803 / 9.8118)


def test_a_capacity_in_newtons_needs_the_plants_gravity(tmp_path: Path) -> None:
    cells = CELL.replace('type = "BB-SB500"', 'type = "BB-SB500"\ncapacity = "5 kN"')
    with pytest.raises(FileError, match=r"vessel\.gravity"):
        read_chain(written(tmp_path, HEAD + cells))


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ('[[states]]\nname = "a"\ncell_ratio = ["1 mV/V"]', "has 1 values for 2 cells"),
        ('[[states]]\nname = "a"\ncorner = 3', "corner 3 of 2 cells"),
        ('[[states]]\nname = "a"\ndisplay = 12.0', "text with its unit"),
        ('[[states]]\nname = "a"\nbox_ratio = "12 kg"', "allowed are mV/V"),
        ('[[states]]\nname = "a"\n[[states]]\nname = "a"', "same name"),
        ('[[fed]]\nat = "cell"\nvalue = "1 mV/V"', "control system"),
        ('[[fed]]\nat = "control system"\nvalue = "4 mA"', "needs the display"),
        ("[[ohms]]\ncell = 3", "there are 2 cells"),
        ("spam = 1", "no such key"),
        ('[[cells]]\nname = "2"', "two have the name '2'"),
        (
            '[[cells]]\nname = "3"\ninput_resistance = "-385 ohm"',
            "input_resistance of cell '3' cannot be -385",
        ),
        ('[[cells]]\nname = "3"\nrated_output = "0 mV/V"', "rated_output of cell '3' cannot be 0"),
        (
            '[[cells]]\nname = "3"\ntype = "BB-SB500"\ncapacity = "50 t"',
            "50000 kg here, 500 kg in the papers of BB-SB500: is it that cell",
        ),
        ('[restored]\nas_left_readings = "A. T., 16:40"', "no state named 'as left' stands here"),
    ],
)
def test_a_mistake_names_the_file_and_what_is_allowed(
    tmp_path: Path, more: str, reason: str
) -> None:
    text = more + "\n" + HEAD + CELL if "spam" in more else HEAD + CELL + more
    with pytest.raises(FileError, match=reason) as caught:
        read_chain(written(tmp_path, text))
    assert "chain.toml" in str(caught.value)


def test_shares_make_one_together(tmp_path: Path) -> None:
    """Thirds are written as 33.3 %."""
    three = HEAD + CELL + '[[cells]]\nname = "3"\ntype = "BB-SB500"\n'
    for share, taken in (("33.3 %", True), ("60 %", False)):
        text = three.replace("name = ", f'share = "{share}"\nname = ')
        text = text.replace(f'share = "{share}"\nname = ', "name = ", 1)  # the chain's own
        if taken:
            assert len(read_chain(written(tmp_path, text)).chain.cells) == 3
            continue
        with pytest.raises(FileError, match=r"the shares make 1\.8 together, not 1"):
            read_chain(written(tmp_path, text))


def test_a_range_without_width_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no range"):
        read_chain(written(tmp_path, HEAD.replace('"1000 kg"', '"0 kg"') + CELL))


def test_blank_is_not_read_and_open_is_no_number(tmp_path: Path) -> None:
    more = '[[states]]\nname = "a"\ncell_ratio = ["", "open"]\nbox_ratio = "0.4 mV/V"'
    rows = read_chain(written(tmp_path, HEAD + CELL + more)).readings.rows

    assert [(row.kind, row.cell, row.value) for row in rows] == [
        (Kind.BOX_RATIO, None, pytest.approx(4e-4)),
        (Kind.CELL_RATIO, 1, None),
    ]


def test_every_shipped_example_can_be_read_and_says_that_it_is_invented() -> None:
    examples = sorted(EXAMPLES.glob("*.toml"))
    assert examples
    visits = [read_chain(Path(path.stem)) for path in examples]
    assert all("invented" in visit.file.note for visit in visits)
    assert any(visit.readings.rows for visit in visits)  # papers alone are an example too


def test_the_u_of_a_source_by_hand_is_the_worked_one() -> None:
    """0.02 % + 3 uV on 10 mV is 0.05 %: common practice; at 10 V these are 1 mV/V, 0.3 uV/V."""
    source = Accuracy.model_validate(
        {"of_reading": "0.02 %", "constant": "0.0003 mV/V", "source": "invented"}
    )
    name, standard = source.part(1e-3, units.RATIO, "source of mV/V")
    assert 2.0 * standard / 1e-3 == pytest.approx(0.0005)
    assert name.startswith("source of mV/V")
