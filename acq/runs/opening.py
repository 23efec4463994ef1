"""What is frozen in the first line of a run's journal."""

from __future__ import annotations

from collections.abc import Sequence as Listed
from dataclasses import dataclass, field
from datetime import datetime
from importlib.metadata import version
from typing import Any

from acq.bench.bench_file import BenchFile
from acq.cells.cell import Cell
from acq.cells.lot_subject import LotPapers
from acq.cells.subject import Subject
from acq.runs.fit_for_use import DayCheck
from acq.runs.sequence import Plan, Sequence

_LIBRARIES = ("bridgebench", "GTC", "numpy", "scipy")


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What is frozen in the first line of a new run's journal."""

    sequence: Sequence
    plan: Plan
    cell: Subject
    bench: BenchFile
    seed: int | None
    performer: str
    indication_only: bool
    script: str = ""  # how the sequence was called: its name, or a file
    stage: str = ""  # of the item: "as found" or "as left"
    work_done: str = ""  # on the item, before an as-left run
    workshop: dict[str, Any] = field(default_factory=dict)
    customer: dict[str, Any] = field(default_factory=dict)
    checked: DayCheck | None = None  # where the plan wants a check of the day
    lacking: Listed[str] = ()  # what the instruments cannot do, and the run goes on without

    def as_json(self, number: str, at: datetime) -> dict[str, Any]:
        simulation = self.bench.simulation
        return {
            "run": {
                "id": number,
                "number": number,
                "sequence": self.sequence.name,
                "script": self.script or self.sequence.name,
                "opened_at": at.isoformat(),
                "simulated": simulation is not None,
                "scenario": simulation.scenario if simulation else None,
                "seed": self.seed,
                "indication_only": self.indication_only,
                "performer": self.performer,
                **({"stage": self.stage} if self.stage else {}),
                **({"work_done": self.work_done} if self.work_done else {}),
            },
            "cell": _named(self.cell),
            "sheets": self.cell.model_dump(mode="json"),
            "plan": self.plan.model_dump(mode="json"),
            "bench": _frozen_bench(self.bench),
            "versions": {name: version(name) for name in _LIBRARIES},
            "workshop": self.workshop,
            "customer": self.customer,
            **({"lacking": list(self.lacking)} if self.lacking else {}),
            **({} if self.checked is None else {"check_of_the_day": self.checked.as_json()}),
        }


def _named(subject: Subject) -> dict[str, str]:
    """What the run is about, as records and certificates name it."""
    match subject:
        case Cell():
            kind = subject.data_sheet.type
        case LotPapers():
            kind = f"lot of {len(subject.cells)} {subject.type}"
        case _:
            kind = "weighing chain"
    return {"serial": subject.serial, "type": kind}


def _frozen_bench(file: BenchFile) -> dict[str, Any]:
    """The bench without what differs from start to start: ports, paths, the control port."""
    content = file.model_dump(mode="json", exclude={"simulation", "connections"})
    for instrument in content["instruments"].values():
        if file.simulation is not None:
            del instrument["resource"]
    return content
