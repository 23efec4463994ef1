"""Journals as a run writes them, made here without the code that writes or reads them.

The form (JSON lines, sorted keys, no spaces, each with the SHA-256 of the line before it) is
put together from `json` and `hashlib` alone, so that the tests hold the readers to it. All
people, workshops and instruments are invented.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

NS = 1_000_000_000


class WrittenJournal:
    """Lines with a right chain, one call a line; time goes on by one second each."""

    def __init__(self) -> None:
        self.lines: list[bytes] = []
        self._t = 5 * NS

    @property
    def data(self) -> bytes:
        return b"".join(self.lines)

    def add(self, what: str, **content: Any) -> WrittenJournal:
        before = hashlib.sha256(self.lines[-1]).hexdigest() if self.lines else "0" * 64
        entry = {
            **content,
            "what": what,
            "line": len(self.lines) + 1,
            "prev": before,
            "t": self._t,
        }
        text = json.dumps(entry, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        self.lines.append(text.encode() + b"\n")
        self._t += NS
        return self

    def check(
        self,
        name: str,
        *findings: dict[str, Any],
        attempt: int = 1,
        state: str = "done",
        because: str = "",
        readings: int = 1,
    ) -> WrittenJournal:
        self.start_check(name, *findings, attempt=attempt, readings=readings)
        return self.add("check-closed", check=name, attempt=attempt, state=state, because=because)

    def start_check(
        self, name: str, *findings: dict[str, Any], attempt: int = 1, readings: int = 1
    ) -> WrittenJournal:
        self.add("check-opened", check=name, attempt=attempt)
        for number in range(readings):
            self.add(
                "effect",
                check=name,
                attempt=attempt,
                kind="read",
                ask={"at": name, "quantity": "resistance"},
                got=reading(385.13 + 0.001 * number, self._t),
            )
        for found in findings:
            self.add(
                "effect",
                check=name,
                attempt=attempt,
                kind="finding",
                ask=found["name"],
                got=found,
            )
        return self

    def close(
        self, state: str = "finished", exit_code: int = 0, conformity: str = "pass"
    ) -> WrittenJournal:
        return self.add("closed", state=state, exit_code=exit_code, conformity=conformity)


def opened(run_id: str = "r-1", **run: Any) -> WrittenJournal:
    """Return a journal with its first line; keyword arguments change the run's entry."""
    serial = run.pop("serial", "T-000123")
    journal = WrittenJournal()
    return journal.add(
        "opened",
        run={
            "id": run_id,
            "number": run_id.upper(),
            "sequence": "acceptance",
            "opened_at": "2026-03-02T08:00:00+00:00",
            "simulated": True,
            "scenario": "healthy",
            "seed": 7,
            "indication_only": False,
            "performer": "Technician One",
            **run,
        },
        cell={"serial": serial, "type": "TT-500"},
        sheets={},
        plan={"name": "thin"},
        bench={"name": "Bench T", "instruments": {}},
        versions={"bridgebench": "0.1.0"},
        workshop={"name": "Invented Workshop"},
        customer={"name": "Invented Customer"},
    )


def reading(ohms: float, t: int) -> dict[str, Any]:
    return {
        "quantity": "resistance",
        "value": ohms,
        "limit": None,
        "unit": "ohm",
        "instrument": "dmm",
        "range": 1000.0,
        "plc": 10.0,
        "started_ns": t,
        "ended_ns": t + 200_000_000,
        "raw": f"{ohms:+.8E}",
        "settings": {},
    }


def finding(name: str = "resistance Ex+ Ex-", value: float | None = 385.13, **other: Any) -> Any:
    """Return a finding as a journal holds it."""
    return {
        "name": name,
        "check": "pair resistance",
        "quantity": "resistance",
        "unit": "ohm",
        "value": value,
        "limit_kind": None,
        "expanded_uncertainty": 0.05,
        "coverage_factor": 2.0,
        "degrees_of_freedom": 51.2,
        "probability": 0.95,
        "limits": [
            {
                "lower": 373.0,
                "upper": 397.0,
                "unit": "ohm",
                "source": "data sheet TT-500 rev 1: input resistance",
                "decides": True,
            }
        ],
        "rule": "four statements",
        "conformity": "pass",
        "because": "385.130 ohm ± 0.050 ohm against 373 ohm to 397 ohm",
        "specific_risk": 0.0,
        "budget": [
            {"name": "dmm gain", "standard_uncertainty": 0.02, "degrees_of_freedom": None},
        ],
        "indication_only": False,
        "marks": [],
        **other,
    }


def small_run(run_id: str = "r-1", **run: Any) -> WrittenJournal:
    """Return a closed run of two checks."""
    return (
        opened(run_id, **run)
        .check("pair resistance, Ex+ Ex-", finding())
        .check("zero balance", finding("zero balance", -6.4e-6, unit="V/V", quantity="ratio"))
        .close()
    )


def long_run() -> WrittenJournal:
    """Return a closed run of sixty checks, five lines each."""
    journal = opened()
    for number in range(60):
        journal.check(f"check {number}", finding(f"finding {number}", float(number)))
    return journal.close()
