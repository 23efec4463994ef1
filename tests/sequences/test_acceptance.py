"""The acceptance test step by step on the simulated bench, as a technician would meet it."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from acq.errors import RepeatAsked, WrongInput
from acq.runs.control_socket import Told, tell
from acq.runs.journal import Line
from tests.conducting import QUICK, Trial
from tests.sequences.trials import Begin, lines_of, stricter

EVERYTHING = str(Path(__file__).parents[1] / "everything.toml")


def findings(trial: Trial) -> dict[str, Mapping[str, Any]]:
    """The newest finding of each name."""
    kept = [
        line.content["got"] for line in lines_of(trial) if line.content.get("kind") == "finding"
    ]
    return {each["name"]: each for each in kept}


def prompts(trial: Trial) -> list[str]:
    return [line.content["prompt"]["text"] for line in lines_of(trial) if line.what == "prompt"]


def scenario(path: Path, text: str) -> str:
    path.write_text(text, encoding="utf-8")
    return str(path)


def papers(monkeypatch: pytest.MonkeyPatch, path: Path, sheet: str, cell: str = "") -> str:
    """Write papers of one invented cell and let the run find them; return its serial."""
    (path / "types").mkdir(parents=True)
    (path / "cells").mkdir()
    (path / "types" / "T.toml").write_text('type = "T"\ngauges = "foil"\n' + sheet)
    (path / "cells" / "T-1.toml").write_text('serial = "T-1"\ntype = "T"\n' + cell)
    monkeypatch.setenv("BRIDGEBENCH_CELLS", str(path))
    return "T-1"


def test_every_step_of_a_healthy_cell_passes_and_is_told(begin: Begin) -> None:
    trial = begin()
    assert trial.conduct(plan=EVERYTHING) == 0
    found = findings(trial)
    assert len([name for name in found if name.startswith("resistance ")]) == 15
    for name in (
        "Ex+ Ex- while flexing, gland, max - min",
        "supply current",
        "zero drift",
        "zero noise, peak to peak",
        "zero steps, largest",
        "shunt check, arm C",
        "output of a hand load",
        "return of a hand load",
        "zero balance against the lead pairs",
    ):
        assert found[name]["conformity"] == "pass", found[name]
    assert "ratio" in " ".join(found["insulation leads to housing"]["marks"])
    # 50 kg of 500 kg at 2.0011 mV/V, as the invented sheet of this serial has it
    assert found["output of a hand load"]["value"] == pytest.approx(0.20011e-3, rel=0.01)
    # a shunt of r across one of four arms R: x = -R / (4 r + 2 R) in an ideal bridge
    assert abs(found["shunt check, arm C"]["value"]) == pytest.approx(350 / 4e5, rel=0.15)


def test_a_broken_sense_lead_is_named_and_the_zero_read_at_the_plug(begin: Begin) -> None:
    trial = begin("open-sense-lead-se-plus")
    assert trial.conduct() == 1
    found = findings(trial)
    assert found["resistance Ex+ Se+"]["conformity"] == "fail"
    assert found["zero balance"]["conformity"] == "pass"
    assert "per volt at the plug: Ex+ Se+ is open" in found["zero balance"]["marks"]
    assert found["zero balance against the lead pairs"]["conformity"] == "pass"


def test_without_a_change_over_off_and_on_again_take_the_emf_out(
    begin: Begin, tmp_path: Path
) -> None:
    text = QUICK.read_text(encoding="utf-8").replace("[zero]", '[zero]\nreverse = "on-off-on"')
    trial = begin("thermal-emf")
    assert trial.conduct(plan=scenario(tmp_path / "plan.toml", text)) == 0
    found = findings(trial)
    assert abs(found["thermal EMF"]["value"]) == pytest.approx(5e-6, abs=2.5e-6)
    assert "on, off and on" in found["zero balance"]["marks"][0]
    states = [line.content["state"] for line in lines_of(trial) if line.what == "state"]
    assert not any("reversed" in state for state in states)


def test_a_clip_on_the_wrong_lead_is_recognised_and_one_clip_moves_per_pair(begin: Begin) -> None:
    trial = begin("clumsy")
    assert trial.conduct() == 0
    asked = prompts(trial)
    assert any("reads 192.5" in text and "you are on S+ or S-" in text for text in asked)
    pairs = [text for text in asked if text.startswith("Move dmm")]
    for text in pairs[:14]:
        # both wires of one clip, from one lead to another
        assert re.fullmatch(r"Move dmm (HI|LO) and dmm sense \1 from \S+ to \S+\.", text), text


def test_a_cold_cell_is_waited_for_and_then_judged_by_nothing(begin: Begin) -> None:
    trial = begin("not-soaked")
    assert trial.conduct(plan=EVERYTHING) == 4
    judged = [f for f in findings(trial).values() if f["conformity"] not in (None, "withheld")]
    assert all(f["name"].startswith(("Ex+ Ex- while flexing", "test voltage")) for f in judged)
    assert "not soaked" in findings(trial)["zero balance"]["because"]


def test_a_tester_is_never_switched_onto_less_than_a_megohm(begin: Begin) -> None:
    trial = begin("shield-to-housing")
    assert trial.conduct() == 1
    found = findings(trial)["insulation shield to housing"]
    assert found["conformity"] == "fail"
    assert "read by the multimeter" in found["marks"][0]
    assert not any("shield to housing: 50 V" in text for text in prompts(trial))


HALF = """
rated_output = "2 mV/V"
zero_balance = "± 5 mV/V"
input_resistance = "385 ± 12 ohm"
insulation_resistance = ">= 5 Gohm"
excitation = "10 V"
excitation_maximum = "15 V"
bridge = "half"
electronics = "none"
shield_to_housing = "not connected"
"""


def test_a_half_bridge_has_its_own_three_pairs(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One side of a full bridge is a half bridge; the other side only loads the excitation."""
    serial = papers(monkeypatch, tmp_path / "cells", HALF)
    trial = begin()
    trial.conduct(serial=serial)
    found = findings(trial)
    pairs = sorted(name for name in found if name.startswith("resistance "))
    assert pairs == ["resistance Ex+ Ex-", "resistance Ex+ S+", "resistance Ex- S+"]
    assert found["zero balance"]["conformity"] == "pass"
    assert found["zero balance against the lead pairs"]["conformity"] == "pass"
    assert found["insulation leads to housing"]["conformity"] == "pass"


DOUBLE = """
rated_output = "2 mV/V"
zero_balance = "± 1 %RO"
input_resistance = "385 ± 12 ohm"
output_resistance = "351 ± 2 ohm"
insulation_resistance = ">= 5 Gohm"
excitation = "10 V"
excitation_maximum = "15 V"
bridges = 2
electronics = "none"
shield_to_housing = "connected"
[cable]
wires = 6
length = "5 m"
conductor_area = "0.25 mm2"
"""


def test_each_bridge_of_a_body_is_named_and_tested_against_the_other(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    serial = papers(monkeypatch, tmp_path / "cells", DOUBLE)
    trial = begin(scenario(tmp_path / "double.toml", "[cell]\nother_zeros_mv_v = [0.0030]\n"))
    assert trial.conduct(serial=serial) == 0
    found = findings(trial)
    for bridge, zero in (("bridge 1", -0.0064e-3), ("bridge 2", 0.0030e-3)):
        assert found[f"{bridge}: zero balance"]["value"] == pytest.approx(zero, abs=5e-7)
        assert found[f"{bridge}: zero balance"]["conformity"] == "pass"
        assert found[f"{bridge}: resistance Ex+ Ex-"]["conformity"] == "pass"
    assert found["insulation bridge 1 to bridge 2"]["value"] > 5e9


ACTIVE = """
excitation = "12 V"
excitation_maximum = "15 V"
supply_current = "0 to 40 mA"
electronics = "amplifier"
"""


def test_a_cell_with_an_amplifier_goes_its_own_route(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    serial = papers(monkeypatch, tmp_path / "cells", ACTIVE)
    trial = begin("electronics")
    assert trial.conduct(plan=EVERYTHING, serial=serial) == 0
    found = findings(trial)
    assert set(found) == {"supply current", "output without load"}
    assert found["supply current"]["conformity"] == "pass"


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (('"15 V"', '"10 V"'), "12 V is above its maximum of 10 V"),
        (('supply_current = "0 to 40 mA"\n', ""), "no supply_current"),
    ],
)
def test_an_amplifier_is_only_supplied_as_its_papers_say(
    begin: Begin,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    changed: tuple[str, str],
    said: str,
) -> None:
    serial = papers(monkeypatch, tmp_path / "cells", ACTIVE.replace(*changed))
    trial = begin("electronics")
    assert trial.conduct(plan=EVERYTHING, serial=serial) == 2
    assert said in lines_of(trial)[-1].content["because"]
    assert not [line for line in lines_of(trial) if line.what == "state"]


def test_a_plan_without_the_active_route_refuses_by_name(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    serial = papers(monkeypatch, tmp_path / "cells", ACTIVE)
    trial = begin("electronics")
    assert trial.conduct(serial=serial) == 2
    assert "no table [active]" in lines_of(trial)[-1].content["because"]


MARKED = """
[hazardous_area]
marking = "invented marking"
maximum_voltage = "6 V"
maximum_current = "100 mA"
maximum_power = "90 mW"
"""


def test_a_marked_cell_is_only_excited_within_its_marking(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """90 mW at 373 ohm, the lowest input resistance: 5.79 V, below the 6 V of the marking."""
    sheet = DOUBLE.replace("bridges = 2", "bridges = 1") + MARKED
    serial = papers(monkeypatch, tmp_path / "cells", sheet)
    trial = begin()
    assert trial.conduct(serial=serial) == 4  # its papers do not allow an insulation test
    found = findings(trial)
    assert "invented marking" in prompts(trial)[0]
    # half of the usual 10 V where the papers allow less
    assert found["excitation at the cell, normal"]["value"] == pytest.approx(5.0, rel=2e-3)
    assert "do not allow an insulation test" in found["insulation leads to housing"]["because"]


def order_at(trial: Trial, check: str, told: Told) -> Callable[[Line], None]:
    """Give an order from another terminal when this check opens, once."""
    given: list[Told] = []

    def look(line: Line) -> None:
        if line.what == "check-opened" and line.content["check"] == check and not given:
            given.append(told)
            give(trial, told)

    return look


def give(trial: Trial, told: Told) -> None:
    """Give an order from another terminal: the run's own thread answers it."""
    threading.Thread(target=tell, args=(trial.folder.control_socket, told)).start()
    time.sleep(0.2)  # until it is in the socket's queue


def test_a_skipped_check_is_withheld_with_who_and_why(begin: Begin) -> None:
    trial = begin()
    told = Told("skip", "Ann Example", "the gland is glued")
    assert trial.conduct(order_at(trial, "wiggle test, Ex+ Ex-", told), plan=EVERYTHING) == 4
    found = findings(trial)
    assert found["wiggle test"]["because"] == "skipped by Ann Example: the gland is glued"
    assert found["zero balance"]["conformity"] == "pass"


def test_a_skip_survives_a_run_that_is_taken_up(begin: Begin) -> None:
    trial = begin()
    skip = order_at(trial, "pair resistance, Se+ S-", Told("skip", "Ann Example", "worn clip"))
    stop = order_at(trial, "first excitation", Told("stop", "Ann Example"))

    def both(line: Line) -> None:
        skip(line)
        stop(line)

    assert trial.conduct(both) == 130
    assert trial.conduct() == 4
    assert findings(trial)["zero balance against the lead pairs"]["conformity"] == "pass"
    kept = [f for f in findings(trial).values() if "worn clip" in (f["because"] or "")]
    assert [f["name"] for f in kept] == ["resistance Se+ S-"]


def test_a_repeated_check_keeps_both_results(begin: Begin) -> None:
    trial = begin()
    told = Told("repeat", "Ann Example", "pair resistance, S+ S-", "I touched the clip")
    trial.conduct(order_at(trial, "first excitation", told))
    assert lines_of(trial)[-1].content["state"] == "finished"
    closed = [
        line.content["attempt"]
        for line in lines_of(trial)
        if line.what == "check-closed" and line.content["check"] == "pair resistance, S+ S-"
    ]
    assert closed == [1, 2]
    again = [line.content for line in lines_of(trial) if line.what == "measured-again"]
    assert again[0]["check"] == "pair resistance, S+ S-"
    assert again[0]["because"] == "repeated by Ann Example: I touched the clip"


def test_a_repeat_is_not_lost_by_what_is_told_before_it_is_done(begin: Begin) -> None:
    """Another repeat, an unknown check, a stop: the first check is still measured again."""
    trial = begin()
    first = Told("repeat", "Ann Example", "pair resistance, S+ S-", "I touched the clip")
    unknown = Told("repeat", "Ann Example", "nonsense", "by mistake")
    tell_first = order_at(trial, "first excitation", first)
    orders = [unknown, Told("stop", "Ann Example")]

    def all_of_them(line: Line) -> None:
        tell_first(line)
        if line.what == "resumed" and orders:
            give(trial, orders.pop(0))

    assert trial.conduct(all_of_them) == 130
    assert not orders
    assert trial.conduct() == 0
    closed = [
        line.content["attempt"]
        for line in lines_of(trial)
        if line.what == "check-closed" and line.content["check"] == "pair resistance, S+ S-"
    ]
    assert closed == [1, 4]
    again = [line.content for line in lines_of(trial) if line.what == "measured-again"]
    assert again[0]["because"] == "repeated by Ann Example: I touched the clip"


def test_a_finished_run_is_taken_up_to_repeat_a_check_and_keeps_both(begin: Begin) -> None:
    trial = begin()
    assert trial.conduct() == 0
    unknown = RepeatAsked("pair resistance, X Y", "Ann Example", "why not")
    with pytest.raises(WrongInput, match="no finished check 'pair resistance, X Y' to repeat"):
        trial.conduct(repeat=unknown)
    with pytest.raises(WrongInput, match="the run is finished"):
        trial.conduct()
    first = len(lines_of(trial))
    asked = RepeatAsked("zero balance", "Ann Example", "the door was open")
    assert trial.conduct(repeat=asked) == 0
    after = [line.content for line in lines_of(trial)[first:]]
    again = [each["check"] for each in after if each["what"] == "measured-again"]
    assert again[0] == "zero balance"
    assert after[-1]["state"] == "finished"
    assert not any("pair resistance" in str(each.get("check")) for each in after)


def test_a_tester_at_another_voltage_is_not_started_again(begin: Begin, tmp_path: Path) -> None:
    scenario = tmp_path / "six.toml"
    scenario.write_text("seed = 6\n", encoding="utf-8")
    trial = begin(str(scenario))
    assert trial.conduct(plan=str(stricter(QUICK, tmp_path))) == 1
    found = findings(trial)
    assert found["test voltage leads to housing"]["conformity"] == "fail"
    for path in ("leads to housing", "leads to shield", "shield to housing"):
        assert found[f"insulation {path}"]["conformity"] == "withheld"
        assert "instead of 50 V" in found[f"insulation {path}"]["because"]
    states = [str(x.content["state"]) for x in lines_of(trial) if x.what == "state"]
    assert states.count("insulation test voltage 50 V") == 2  # on and off, once


def test_a_pause_during_a_test_voltage_ends_it_at_once(begin: Begin) -> None:
    """The dwell is not waited for: voltage off, pause, then the check from its beginning."""
    trial = begin()
    plan = trial.folder.path / "plan.toml"
    plan.write_text(QUICK.read_text(encoding="utf-8").replace("dwell_s = 2.0", "dwell_s = 600.0"))
    seen: list[str] = []
    said: list[str] = []
    threads: list[threading.Thread] = []

    def look(line: Line) -> None:
        on = line.what == "waiting" and "insulation" in line.content["because"]
        if on and "told" not in seen:
            seen.append("told")
            threads.append(say_soon(trial, Told("pause", "Ann Example"), 0.0))
            time.sleep(0.3)  # until it is in the socket's queue
        if line.what == "state" and "test voltage" in line.content["state"]:
            seen.append(line.content["to"])
            if seen.count("off") == 1 and line.content["to"] == "off":
                threads.append(say_soon(trial, Told("go-on", "Ann Example"), 0.5))

    assert trial.conduct(look, plan=str(plan), say=said.append) == 0
    for thread in threads:
        thread.join()
    assert any(text.startswith("pause: nothing is energised") for text in said)
    assert seen[:4] == ["on", "told", "off", "on"]
    lines = [line.content for line in lines_of(trial)]
    opened = [each["t"] for each in lines if each.get("state", "").startswith("insulation test")]
    assert (opened[1] - opened[0]) / 1e9 < 60.0  # seconds of bench time of 600


def say_soon(trial: Trial, told: Told, seconds: float) -> threading.Thread:
    """Tell the run something from another thread, as another terminal does."""

    def say() -> None:
        time.sleep(seconds)
        tell(trial.folder.control_socket, told)

    thread = threading.Thread(target=say)
    thread.start()
    return thread


def test_readings_that_fit_another_serial_say_so(begin: Begin) -> None:
    """Under the serial of B-011902 lies D-000096: the sheet of that invented cell fits."""
    trial = begin("wrong-papers")
    assert trial.conduct() == 1
    notes = [
        line.content["got"]["text"]
        for line in lines_of(trial)
        if line.content.get("kind") == "note"
    ]
    assert len(notes) == 1
    assert "they fit D-000096" in notes[0]


def test_a_calibration_resistor_moves_the_output_as_papers_and_pairs_demand(begin: Begin) -> None:
    """R / (4 Rs + 2 R) of an ideal bridge: 350 ohm and 59.88 kohm give 1.457 mV/V (common practice,
    no source; Kirchhoff's laws for one arm). Legs and cable move it by less than half a percent.
    """
    trial = begin("shunt-lead")
    assert trial.conduct(serial="F-000310") == 0
    found = findings(trial)
    measured = found["shunt output, arm C"]["value"]
    assert abs(measured) == pytest.approx(350 / (4 * 59_880 + 2 * 350), rel=5e-3)
    assert measured < 0  # S+ is drawn to Ex-
    assert found["shunt output, arm C, against the lead pairs"]["conformity"] == "pass"
    asked = prompts(trial)
    assert "leave it open" in asked[0]
    on, off = (text for text in asked if text.startswith("Calibration resistor"))
    assert "link lead shunt to Ex-" in on
    assert "take shunt off again" in off


def test_half_bridges_of_one_body_are_told_apart(begin: Begin) -> None:
    """The simulated body: 0.0410 mV/V on the first, -0.0275 mV/V on the second."""
    trial = begin("two-half-bridges")
    assert trial.conduct(serial="E-000052") == 0
    found = findings(trial)
    for name, zero in (("bridge 1", 0.0410e-3), ("bridge 2", -0.0275e-3)):
        assert found[f"{name}: zero balance"]["value"] == pytest.approx(zero, abs=8e-7)
        assert found[f"{name}: zero balance against the lead pairs"]["conformity"] == "pass"
        pairs = [each for each in found if each.startswith(f"{name}: resistance")]
        assert len(pairs) == 3
    assert found["insulation bridge 1 to bridge 2"]["conformity"] == "pass"


def test_a_resistor_on_a_half_bridge_is_refused_by_name(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shunt = '[shunt]\narm = "A"\nresistance = "59.88 kohm"\n'
    serial = papers(monkeypatch, tmp_path / "cells", HALF + shunt)
    trial = begin()
    assert trial.conduct(serial=serial) == 2
    assert "a shunt resistor on a half bridge" in lines_of(trial)[-1].content["because"]
