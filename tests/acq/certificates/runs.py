"""A whole invented acceptance run, as its journal would tell it. Every name is made up."""

from __future__ import annotations

from typing import Any

from tests.acq.records.journals import WrittenJournal, finding

SHEET = "data sheet BB-SB500 rev 2"
OWN = "own sheet of 2023-11-27"


def limit(lower: float | None, upper: float | None, unit: str, source: str, decides: bool) -> Any:
    return {"lower": lower, "upper": upper, "unit": unit, "source": source, "decides": decides}


def ohms(pair: str, value: float, lower: float, upper: float, what: str, **other: Any) -> Any:
    limits = [
        limit(lower, upper, "ohm", f"{SHEET}: {what}", False),
        limit(value - 0.48, value + 0.52, "ohm", f"{OWN}: {what}, 0.5 ohm allowed", True),
    ]
    return finding(f"resistance {pair}", value, limits=limits, **other)


def insulation(path: str, value: float, **other: Any) -> Any:
    return finding(
        f"insulation {path}",
        value,
        quantity="insulation-resistance",
        limit_kind="above",
        expanded_uncertainty=None,
        coverage_factor=None,
        limits=[limit(5e9, None, "ohm", f"{SHEET}: insulation resistance at 50 V", True)],
        **other,
    )


def ratio(name: str, value: float, half: float | None, source: str, **other: Any) -> Any:
    limits = [limit(-half, half, "V/V", source, True)] if half else []
    return finding(
        name,
        value,
        **{
            "unit": "V/V",
            "quantity": "voltage-ratio",
            "expanded_uncertainty": 4.1e-8,
            "coverage_factor": 2.01,
            "limits": limits,
            **({} if half else {"conformity": None, "rule": "information"}),
            **other,
        },
    )


PAIRS = {
    "Ex+ Ex-": (385.13, 373.0, 397.0, "input resistance"),
    "S+ S-": (351.28, 349.0, 353.0, "output resistance"),
    "Ex+ S+": (281.07, 276.2, 286.0, "adjacent pair, from input and output resistance"),
    "Ex+ S-": (281.1, 276.2, 286.0, "adjacent pair, from input and output resistance"),
    "Ex- S+": (281.09, 276.2, 286.0, "adjacent pair, from input and output resistance"),
    "Ex- S-": (281.06, 276.2, 286.0, "adjacent pair, from input and output resistance"),
}


def instrument(description: str, serial: str, **other: Any) -> dict[str, Any]:
    return {
        "description": description,
        "serial": serial,
        "certificate": "K-2026-0311",
        "laboratory": "Lighthouse Calibration (invented)",
        "calibrated": "2026-01-15",
        "due": "2027-01-15",
        "by_hand": False,
        "accuracy": [],
        **other,
    }


INSTRUMENTS = {
    "dmm": instrument("6½-digit multimeter", "DM-2214"),
    "supply": instrument(
        "laboratory supply 0-30 V",
        "PS-0871",
        certificate="",
        laboratory="",
        calibrated=None,
        due=None,
    ),
    "insulation": instrument("insulation tester to 20 Gohm", "IT-0315", certificate="K-2026-0298"),
    "scanner": instrument(
        "relay scanner", "SC-0102", certificate="", laboratory="", calibrated=None, due=None
    ),
}

PLAN = {
    "name": "returned-cell",
    "description": "Electrical test of a returned cell",
    "resistance": {
        "rule": "four statements",
        "largest_uncertainty_share": 1 / 3,
        "readings": 3,
        "power_line_cycles": 10.0,
        "open_above_ohms": 1e5,
        "gate_source": "common practice",
    },
    "insulation": {"rule": "four statements", "volts": 50.0, "dwell_s": 60.0, "source": "x"},
    "excitation": {"first_volts": 1.0, "volts": 10.0, "warm_up_s": 900.0, "stable_source": "y"},
    "zero": {"rule": "four statements", "readings": 5, "settle_s": 30.0, "emf_volts": 1e-5},
}

SHEETS = {
    "serial": "B-011902",
    "data_sheet": {
        "type": "BB-SB500",
        "construction": "shear beam, stainless, welded",
        "accuracy_class": "C3",
        "capacity": "500 kg",
        "cable": {"wires": 6, "length": "5.0 m"},
        "hazardous_area": None,
    },
    "calibration_sheets": [],
}


def opening(run: dict[str, Any], **other: Any) -> dict[str, Any]:
    return {
        "run": {
            "id": "SIM-healthy-7-001",
            "number": "SIM-healthy-7-001",
            "sequence": "acceptance",
            "opened_at": "2026-03-02T08:00:00+00:00",
            "simulated": True,
            "scenario": "healthy",
            "seed": 7,
            "indication_only": False,
            "performer": "Robin Example",
            **run,
        },
        "cell": {"serial": "B-011902", "type": "BB-SB500"},
        "sheets": SHEETS,
        "plan": PLAN,
        "bench": {"name": "Bench 1", "instruments": INSTRUMENTS},
        "versions": {"bridgebench": "0.1.0", "GTC": "2.0.0"},
        "workshop": {
            "name": "Quayside Weighing Workshop (invented)",
            "address": ["Crane Lane 7", "Harbour Town"],
            "approver": "Sam Specimen",
        },
        "customer": {"name": "Gravel Works North (invented)", "address": "Pit Road 3, Hilltown"},
        **other,
    }


def begin(run: dict[str, Any] | None = None, **other: Any) -> WrittenJournal:
    return WrittenJournal().add("opened", **opening(run or {}, **other))


def leads_and_insulation(journal: WrittenJournal) -> WrittenJournal:
    for pair, (value, lower, upper, what) in PAIRS.items():
        found = ohms(pair, value, lower, upper, what)
        journal.check(f"pair resistance, {pair}", found, readings=3)
    for path in ("leads to shield", "leads to housing"):
        journal.check(f"insulation, {path}", insulation(path, 2e10))
    return journal


def healthy(run: dict[str, Any] | None = None, **other: Any) -> WrittenJournal:
    """Return the journal of a healthy cell: everything measured, everything judged."""
    journal = leads_and_insulation(begin(run, **other))
    current = finding(
        "supply current at 1 V",
        2.596e-3,
        unit="A",
        quantity="current",
        expanded_uncertainty=1.2e-5,
        limits=[
            limit(2.34e-3, 2.86e-3, "A", f"{SHEET}: input resistance, as current at 1 V", True)
        ],
    )
    journal.check("first excitation", current)
    journal.check(
        "zero, both polarities",
        ratio("zero balance", -6.42e-6, 2e-5, f"{SHEET}: zero balance"),
        finding(
            "thermal EMF",
            1.3e-6,
            unit="V",
            quantity="dc-voltage",
            expanded_uncertainty=4.0e-7,
            limits=[limit(-1e-5, 1e-5, "V", "plan: copper joints after a wait", True)],
        ),
        readings=20,
    )
    journal.check(
        "zero balance against lead pairs",
        ratio("predicted zero balance", -7.1e-6, None, ""),
        ratio("difference to prediction", 7e-7, 1.2e-5, "plan: agreement of both"),
    )
    return journal.close("finished", 0, "pass")


def faulty(run: dict[str, Any] | None = None, **other: Any) -> WrittenJournal:
    """Return the journal of a wet, overloaded cell: every statement there is occurs once."""
    journal = begin(run, **other)
    words = ("pass", "conditional pass", "conditional fail", "fail", "undecided", "pass")
    for word, (pair, (value, lower, upper, what)) in zip(words, PAIRS.items(), strict=True):
        because = f"{value} ohm ± 0.050 ohm against {lower} ohm to {upper} ohm: told as {word}"
        found = ohms(pair, value, lower, upper, what, conformity=word, because=because)
        journal.check(f"pair resistance, {pair}", found)
    low = insulation(
        "leads to shield",
        1.2e7,
        conformity="fail",
        because="12 Mohm against at least 5 Gohm: 4.99 Gohm outside",
        marks=["polarity reversed: 9 Mohm"],
    )
    journal.check("insulation, leads to shield", low | {"limit_kind": None})
    withheld = finding(
        "zero balance",
        None,
        unit="V/V",
        quantity="voltage-ratio",
        expanded_uncertainty=None,
        coverage_factor=None,
        limits=[],
        rule="information",
        conformity="withheld",
        because="no excitation: Ex+ S+ is outside its limits",
    )
    journal.check(
        "zero balance",
        withheld,
        state="withheld",
        because="no excitation: Ex+ S+ is outside its limits",
    )
    return journal.close("finished", 1, "fail")
