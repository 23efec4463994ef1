"""The bench file that a served bench prints, read with the standard library's TOML reader."""

from __future__ import annotations

import re
import tomllib
from datetime import date

import pytest

from simulated_bench.instruments.accuracy import Limit, toml_value
from simulated_bench.process import BenchProcess
from simulated_bench.scenario import Scenario
from simulated_bench.served import ServedBench
from tests.simulated_bench.serving import LEADS, TERMINALS, channel, lead, serving


def printed(scenario: Scenario | None = None) -> dict[str, object]:
    with ServedBench("test", scenario or Scenario()) as served:
        return tomllib.loads(served.bench_file())


def instruments(scenario: Scenario | None = None) -> dict[str, dict[str, object]]:
    found = printed(scenario)["instruments"]
    assert isinstance(found, dict)
    return found


def test_the_process_prints_one_line_with_the_bench_file_in_it() -> None:
    with BenchProcess("open-arm-a", seed=3) as bench:
        assert set(bench.said) == {"control", "bench", "scenario", "simulated"}
        assert bench.said["simulated"] is True
        assert bench.said["scenario"] == "open-arm-a"
        table = tomllib.loads(bench.bench)
        assert table["simulation"] == {"control": bench.control, "scenario": "open-arm-a"}


def test_every_instrument_answers_to_its_identity_at_its_resource() -> None:
    with serving() as served, lead(served) as leader:
        table = tomllib.loads(served.bench_file())["instruments"]
        for role, question in (("dmm", "*IDN?"), ("supply", "*IDN?"), ("insulation", "ID?")):
            said = leader.ask(role, question)
            assert re.fullmatch(table[role]["identity"], said)
            assert table[role]["serial"] in said
            assert re.fullmatch(
                r"TCPIP0::127\.0\.0\.1::\d+::SOCKET|ASRL/\S+::INSTR", table[role]["resource"]
            )


def test_the_whole_matrix_is_listed_once_with_its_promises() -> None:
    connections = printed()["connections"]
    assert isinstance(connections, dict)
    relays = {(r["terminal"], r["lead"]): r["channel"] for r in connections["relay"]}
    assert relays == {(t, lead_): channel(t, lead_) for t in TERMINALS for lead_ in LEADS}
    assert connections["defaults"] == {
        "contact_ohms": 0.3,
        "emf_volts": 1e-6,
        "isolation_ohms": 1e12,
        "maximum_volts": 150.0,
    }


def test_calibrations_hold_at_the_start_of_the_scenario_unless_it_says_otherwise() -> None:
    for table in instruments().values():
        calibrated, due = table["calibrated"], table["due"]
        assert isinstance(calibrated, date)
        assert isinstance(due, date)
        assert calibrated < date(2026, 3, 2) < due
    late = {"instruments": {"dmm": {"calibrated": "2024-01-01", "due": "2025-01-01"}}}
    assert instruments(Scenario.model_validate(late))["dmm"]["due"] == date(2025, 1, 1)


def test_each_quantity_has_an_accuracy_for_each_range() -> None:
    entries = instruments()["dmm"]["accuracy"]
    assert isinstance(entries, list)
    for quantity in ("dc-voltage", "resistance", "resistance-2-wire", "dc-current"):
        ranges = [e["range"] for e in entries if e["quantity"] == quantity]
        assert ranges == sorted(set(ranges))
        assert len(ranges) >= 4
    assert {e["quantity"] for e in instruments()["supply"]["accuracy"]} == {  # type: ignore[attr-defined]
        "voltage",
        "current",
    }


def test_a_worse_instrument_promises_less() -> None:
    table = {"instruments": {"dmm": {"accuracy": 10.0}}}
    usual = instruments()["dmm"]["accuracy"]
    worse = instruments(Scenario.model_validate(table))["dmm"]["accuracy"]
    assert isinstance(usual, list)
    assert isinstance(worse, list)
    for one, other in zip(usual, worse, strict=True):
        assert other["reading_ppm"] == pytest.approx(10 * one["reading_ppm"])
        assert other["range_ppm"] == pytest.approx(10 * one["range_ppm"])


def test_an_instrument_without_a_link_is_read_by_hand_and_a_missing_one_is_not_there() -> None:
    scenario = {"insulation": {"by_hand": True}, "scanner": {"missing": True}}
    found = printed(Scenario.model_validate({"instruments": scenario}))
    table = found["instruments"]
    assert isinstance(table, dict)
    assert table["insulation"]["by_hand"] is True
    assert "resource" not in table["insulation"]
    assert "scanner" not in table
    assert "connections" not in found


@pytest.mark.parametrize(
    ("value", "text"),
    [(True, "true"), ('a"\\b', '"a\\"\\\\b"'), (1.0, "1.0"), (1e-07, "1e-07"), (3, "3")],
)
def test_values_are_written_so_that_toml_reads_them_back(value: object, text: str) -> None:
    assert toml_value(value) == text
    assert tomllib.loads(f"x = {text}")["x"] == value


def test_limits_leave_out_what_is_not_there() -> None:
    text = Limit("temperature", absolute=0.2).to_toml("thermometer")
    entry = tomllib.loads(text)["instruments"]["thermometer"]["accuracy"][0]
    assert set(entry) == {"quantity", "absolute", "source"}
