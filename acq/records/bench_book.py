"""The book of one bench, out of the records: for the run of its check standard."""

from __future__ import annotations

from acq.errors import WrongInput
from acq.records.history import PastRun
from acq.records.records import Records
from acq.runs.bench_book import EarlierValue

FINISHED = "finished"
FAILED = "fail"


class RecordedBenchBook:
    """Reads earlier values of a bench by its name, and closes it."""

    def __init__(self, records: Records, bench: str) -> None:
        self._records = records
        self._bench = bench

    def earlier(self, serial: str, sequence: str, finding: str, most: int) -> list[EarlierValue]:
        """Return the newest values of a finding on this bench, oldest first."""
        found = [
            EarlierValue(run.number, each.value)
            for run in self._runs(serial, sequence)
            for each in run.findings
            if each.name == finding and each.conformity != FAILED and each.value is not None
        ]
        return found[-most:]

    def close(self, because: str, run: str) -> None:
        """Close the bench for certificates."""
        self._records.close_bench(self._bench, because, run)

    def closed_because(self) -> str:
        """Return why it is closed; empty while it is open."""
        state = self._records.bench_state(self._bench)
        return str(state) if state is not None and state.closed else ""

    def _runs(self, serial: str, sequence: str) -> list[PastRun]:
        """Return finished runs of this sequence on this bench since its charts began, in order.

        The order is that of the ledger: clocks differ, and simulated days are all the same.
        Runs for indication only are no part of a chart.
        """
        try:
            runs = self._records.history(serial)
        except WrongInput:
            return []
        begin = self._records.started_anew_at(self._bench)
        placed: list[tuple[int, PastRun]] = []
        for run in runs:
            if run.sequence != sequence or run.state != FINISHED or run.indication_only:
                continue
            recorded = self._records.run(run.id)
            closing = recorded.closing_entry
            here = (recorded.opened.get("bench") or {}).get("name") == self._bench
            if here and closing is not None and closing.position > begin:
                placed.append((closing.position, run))
        return [run for _, run in sorted(placed, key=lambda each: each[0])]
