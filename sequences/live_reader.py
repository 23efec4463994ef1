"""Reads signal and excitation in turn for a live display, until somebody orders something."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from acq.analysis.weighing import Scale
from acq.bench.bench import Request
from acq.bench.connections import volts
from acq.errors import BenchFailure
from acq.readings.reading import Reading
from acq.runs.control_socket import Told
from acq.runs.prompts import Prompt
from acq.runs.reading_log import ReadingLog, Row
from acq.runs.run import Run
from drivers.errors import InstrumentError
from sequences import steps
from sequences.logger import LOG_FILE, across_the_cell
from sequences.reading_plan import LivePlan

_LOST_S = 60.0
_AGAIN_S = 2.0
_SETTLE_S = 2.0
_CHANNELS = {
    "0": {"name": "signal", "quantity": "dc-voltage", "unit": "V", "instrument": "dmm"},
    "1": {"name": "excitation", "quantity": "dc-voltage", "unit": "V", "instrument": "dmm"},
}


class LiveReader:
    """The instruments of a live display and its log; opened at the first reading."""

    def __init__(self, run: Run[LivePlan], scale: Scale) -> None:
        self._run, self._scale, self._plan = run, scale, run.plan.weighing
        self.said = ""
        self._orders = 0
        self._log: ReadingLog | None = None
        self._began_ns = self._part_ns = 0
        self._excitation: Reading | None = None
        self._signal: Reading | None = None
        self._shown_ns = -(10**18)
        self._lost_ns: int | None = None
        wanted = min(run.plan.excitation.volts, run.cell.excitation)
        expected = 1.2 * abs(run.cell.rated_output or 2e-3) * wanted
        ranges = run.ranges("dmm", "dc-voltage", at_least=expected)
        self._ask_signal = Request(
            quantity="dc-voltage", range_=ranges[0], plc=self._plan.power_line_cycles
        )
        self._role = "second-dmm" if run.has("second-dmm") else "dmm"
        range_ = run.ranges(self._role, "dc-voltage", at_least=wanted)[0]
        self._ask_excitation = Request(
            quantity="dc-voltage", role=self._role, range_=range_, plc=self._plan.power_line_cycles
        )

    def until_order(self) -> dict[str, Any]:
        """Read, show and log until something is ordered; return it with what was seen then.

        Raises BenchFailure when an instrument stays lost, Stopped.
        """
        log = self._opened()
        while True:
            self._run.look()
            told = self._order()
            if told is not None:
                return self._taken(log, told)
            try:
                self._once(log)
                self._lost_ns = None
            except InstrumentError as error:
                self._lost(log, error)
            log.keep(self._now_ns())
            self._show()

    def close(self) -> None:
        """Close the log, if it was opened."""
        if self._log is not None:
            self._log.close()
            self._log = None

    # --- inside

    def _now_ns(self) -> int:
        return self._run.bench.time.now_ns()

    def _opened(self) -> ReadingLog:
        if self._log is not None:
            return self._log
        self._run.wait(_SETTLE_S, "supply and meter settle")
        path = self._run.journal.path.parent / LOG_FILE
        self._log = log = ReadingLog(path, new=not path.exists())
        self._began_ns = self._part_ns = now_ns = self._now_ns()
        if log.last_ns is not None:
            log.gap(log.last_ns, now_ns, "the run was interrupted")
        else:
            log.note({"channels": _CHANNELS, "run": self._run.identity[0]}, now_ns)
        utc_ns = round(self._run.utc().timestamp() * 1e6) * 1000
        log.note({"utc_ns": utc_ns, "bench_ns": now_ns}, now_ns)
        log.keep(now_ns, at_once=True)
        return log

    def _order(self) -> Told | None:
        """What a person wants, the end of the planned time, or the end of an hour."""
        told = self._run.desk.order()
        if told is not None and told.text.split():
            return Told(told.order, told.by, " ".join(told.text.split()))
        now_ns = self._now_ns()
        if self._plan.seconds and now_ns - self._began_ns >= self._plan.seconds * 1e9:
            return Told("answer", "plan", "quit")
        if now_ns - self._part_ns >= self._plan.part_s * 1e9:
            self._part_ns = now_ns
            return Told("answer", "plan", "part")
        return None

    def _taken(self, log: ReadingLog, told: Told) -> dict[str, Any]:
        """Mark the order in the log, have that on the disk, and load a simulated cell."""
        now_ns = self._now_ns()
        self._orders += 1
        if told.by != "plan":
            log.note({"mark": told.text, "by": told.by}, now_ns)
        kept = log.keep(now_ns, at_once=True)
        seen = asdict(self._scale.seen())
        words = told.text.split()
        if words[0] == "load":
            self.said = self._load(words)
        return {
            "order": told.text,
            "by": told.by,
            "utc": self._run.utc().isoformat(),
            "seen": seen,
            "log": {"file": LOG_FILE, **kept._asdict()},
        }

    def _load(self, words: list[str]) -> str:
        """Have a weight put on (`load 100 kg`): by hand, or on the simulated bench by itself."""
        try:
            kilograms = float(words[1]) / self._scale.rules.units[words[2]]
        except (IndexError, KeyError, ValueError):
            kilograms = math.nan
        if not math.isfinite(kilograms):
            return "load 100 kg: a number and a unit are needed"
        if self._scale.papers.unit != "kg":
            return "load: only in units of mass"
        caution = "Suspended or stacked weights can fall: nobody under or beside the load."
        text = f"Put {' '.join(words[1:])} on the cell."
        self._run.tell(Prompt(text=text, caution=caution, load={"kilograms": kilograms}))
        return f"{' '.join(words[1:])} goes on"

    def _once(self, log: ReadingLog) -> None:
        run, scale = self._run, self._scale
        joined = run.joined()
        signal_joined = joined | volts(*steps.SIGNAL)
        at_cell = volts(*across_the_cell(run), role=self._role)
        if self._role != "dmm":
            signal_joined |= at_cell
        if self._excitation_is_old():
            where = signal_joined if self._role != "dmm" else joined | at_cell
            self._excitation = run.bench.read(self._ask_excitation, where)
            log.add(_row(1, self._excitation))
        self._signal = reading = run.bench.read(self._ask_signal, signal_joined)
        log.add(_row(0, reading))
        excitation = self._excitation.value if self._excitation else None
        if not reading.is_number or reading.value is None or not excitation:
            scale.lost()
            return
        scale.add(reading.ended_ns / 1e9, reading.value / excitation, reading.raw)

    def _excitation_is_old(self) -> bool:
        if self._excitation is None:
            return True
        age_ns = self._now_ns() - self._excitation.ended_ns
        return age_ns >= self._plan.excitation_every_s * 1e9

    def _lost(self, log: ReadingLog, error: InstrumentError) -> None:
        now_ns = self._now_ns()
        self._lost_ns = now_ns if self._lost_ns is None else self._lost_ns
        last_ns = self._signal.ended_ns if self._signal else now_ns
        self._signal = self._excitation = None
        self._scale.lost()
        self.said = f"{error.role}: {error.reason}"
        log.gap(last_ns, now_ns, self.said)
        if now_ns - self._lost_ns > _LOST_S * 1e9:
            raise BenchFailure(f"the live display ends: {error}") from error
        self._show(at_once=True)
        self._run.bench.time.wait(_AGAIN_S)

    def _show(self, *, at_once: bool = False) -> None:
        now_ns = self._now_ns()
        if not at_once and now_ns - self._shown_ns < self._plan.show_every_s * 1e9:
            return
        self._shown_ns = now_ns
        number, _ = self._run.identity
        log, signal, excitation = self._log, self._signal, self._excitation
        self._run.desk.show(
            {
                "kind": "live",
                "run": number,
                "cell": self._run.cell.serial,
                "simulated": bool(self._run.journal.lines[0].content["run"]["simulated"]),
                "utc": self._run.utc().isoformat(timespec="milliseconds"),
                "at_ns": now_ns,
                "read_ns": signal.ended_ns if signal else None,
                "signal": signal.value if signal else None,
                "limit": signal.limit if signal else None,
                "excitation": excitation.value if excitation else None,
                "rows": log.kept.rows if log else 0,
                "said": self.said,
                "orders": self._orders,
                **self._scale.picture(),
            }
        )


def _row(channel: int, reading: Reading) -> Row:
    return Row(
        channel, reading.started_ns, reading.ended_ns, reading.value, reading.limit, reading.raw
    )
