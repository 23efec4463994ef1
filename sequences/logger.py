"""Reads the channels of a log in turn, as fast as the instruments give; marks what is missing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from acq.analysis.leads import Lead
from acq.bench.bench import Request
from acq.bench.channels import Bursts, Channel, in_blocks
from acq.bench.connections import Connection
from acq.errors import BenchFailure
from acq.readings.reading import Reading
from acq.runs.reading_log import ReadingLog, Row
from acq.runs.run import Run
from drivers.dmm_blocks import ValueBlock
from drivers.errors import InstrumentError
from sequences import steps
from sequences.reading_plan import LogPlan

SIGNAL, EXCITATION, TEMPERATURE = "signal", "excitation", "temperature"
LOG_FILE = "readings.log"
_AGAIN_S = 5.0
_SETTLE_S = 2.0
_LATE = 1.05  # of the shortest block: what takes longer ended before it was fetched
_STEP_S = 1.0


def channels_of(run: Run[LogPlan]) -> dict[str, Channel]:
    """What is logged on this bench: the signal, and what else there is."""
    plan = run.plan.log
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    expected = abs(run.cell.rated_output or 2e-3) * volts
    ranges = run.ranges("dmm", "dc-voltage", at_least=1.2 * expected)
    request = Request(quantity="dc-voltage", range_=ranges[0], plc=plan.power_line_cycles)
    found = [Channel(0, SIGNAL, request, steps.SIGNAL)]
    if (excitation := _excitation(run, volts)) is not None:
        found.append(excitation)
    if run.has("thermometer"):
        found.append(Channel(2, TEMPERATURE, Request(quantity="temperature", role="thermometer")))
    return {channel.name: channel for channel in found}


def _excitation(run: Run[LogPlan], volts: float) -> Channel | None:
    by = run.plan.log.excitation_by
    if by == "best":
        once = run.plan.log.block_readings == 0
        by = "second-dmm" if run.has("second-dmm") else "dmm" if once else "supply"
    if by == "none" or not run.plan.log.excited:
        return None
    if by == "supply":
        return Channel(1, EXCITATION, Request(quantity="voltage", role="supply"))
    range_ = run.ranges(by, "dc-voltage", at_least=volts)[0]
    plc = max(run.plan.log.power_line_cycles, 1.0)
    request = Request(quantity="dc-voltage", role=by, range_=range_, plc=plc)
    return Channel(1, EXCITATION, request, across_the_cell(run))


def across_the_cell(run: Run[Any]) -> tuple[Lead, Lead]:
    """Where the excitation of this run's cell is measured."""
    if run.cell.wires == 6:
        return Lead.SE_PLUS, Lead.SE_MINUS
    return Lead.EX_PLUS, Lead.EX_MINUS


class Logger:
    """One log from its first reading to its last; the file is opened at the first one."""

    def __init__(self, run: Run[LogPlan]) -> None:
        self._run, self._plan = run, run.plan.log
        self._channels = channels_of(run)
        self._log: ReadingLog | None = None
        self._began_ns = 0
        self._signal_ns: int | None = None  # end of the newest reading of the signal
        self._slow_ns: int | None = None  # when the other channels were read
        self._bursts: Bursts | None = None
        self._shortest_ns = 0  # that a block has taken
        self._gaps = 0
        self._newest: dict[str, float | None] = {}
        self._shown = (0, 0)

    def part(self, until_s: float) -> dict[str, Any]:
        """Read until so many seconds after the log began; return what the journal keeps of it.

        Raises BenchFailure when an instrument stays lost, Stopped, InstrumentError.
        """
        log = self._opened()
        end_ns = self._began_ns + round(until_s * 1e9)
        gaps, rows = self._gaps, log.rows
        try:
            self._read_until(end_ns)
            if until_s >= self._plan.seconds:
                self._stop_blocks()
        except BaseException:
            self._stop_blocks()
            raise
        finally:
            self._clock(self._now_ns())
            kept = log.keep(self._now_ns(), at_once=True)
        found = {"file": LOG_FILE, "rows": kept.rows, "bytes": kept.bytes, "sha256": kept.sha256}
        return {**found, "rows_of_part": kept.rows - rows, "gaps": self._gaps - gaps}

    def close(self) -> None:
        """Close the file, if it was opened."""
        if self._log is not None:
            self._log.close()
            self._log = None

    # --- inside

    def _now_ns(self) -> int:
        return self._run.bench.time.now_ns()

    def _opened(self) -> ReadingLog:
        if self._log is None:
            if self._plan.excited:
                self._run.wait(_SETTLE_S, "supply and meter settle")
            path = self._run.journal.path.parent / LOG_FILE
            self._log = log = ReadingLog(path, new=not path.exists())
            self._began_ns = self._first_note(log)
        return self._log

    def _first_note(self, log: ReadingLog) -> int:
        """Say what is logged; return when the log began, on a log that is gone on with too."""
        now_ns = self._now_ns()
        if log.last_ns is not None:
            began_ns = self._began(log)
            self._gap(log.last_ns, now_ns, "the run was interrupted")
            self._clock(now_ns)
            return began_ns
        channels = {str(each.code): each.as_json() for each in self._channels.values()}
        log.note({"channels": channels, "run": self._run.identity[0], "began_ns": now_ns}, now_ns)
        self._clock(now_ns)
        log.keep(now_ns, at_once=True)
        return now_ns

    def _began(self, log: ReadingLog) -> int:
        from acq.runs.logged import blocks

        return int(next(blocks(log.path)).note()["began_ns"])

    def _clock(self, now_ns: int) -> None:
        """What time it is at a bench time: the two clocks of a real bench drift apart."""
        assert self._log is not None
        utc_ns = round(self._run.utc().timestamp() * 1e6) * 1000
        self._log.note({"utc_ns": utc_ns, "bench_ns": now_ns}, now_ns)

    def _read_until(self, end_ns: int) -> None:
        lost_ns: int | None = None
        due_ns = self._now_ns()
        while (now_ns := self._now_ns()) < end_ns:
            self._run.look()
            if self._plan.every_s and now_ns < due_ns:
                self._run.bench.time.wait(min(_STEP_S, (due_ns - now_ns) / 1e9))
                continue
            due_ns += round(self._plan.every_s * 1e9)
            try:
                self._once()
                lost_ns = None
            except InstrumentError as error:
                lost_ns = now_ns if lost_ns is None else lost_ns
                self._lost(error, now_ns - lost_ns)
            self._keep()

    def _once(self) -> None:
        """The slow channels when they are due, then a block of the signal, or one reading."""
        now_ns = self._now_ns()
        if self._slow_ns is None or now_ns - self._slow_ns >= self._plan.slow_every_s * 1e9:
            self._slow_ns = now_ns
            self._slow()
        signal = self._channels[SIGNAL]
        if self._blocks():
            if self._bursts is None:
                count = self._plan.block_readings
                zero, joined = self._plan.automatic_zero, self._joined()
                self._bursts = Bursts(self._run.bench, signal, joined, count, zero=zero)
            self._take(self._bursts.next())
        else:
            self._keep_reading(signal, signal.read(self._run.bench, self._joined()))

    def _joined(self) -> Connection:
        """All joins that can stay: those of every channel whose meter has nothing else to do."""
        joined = self._run.joined()
        for channel in self._channels.values():
            if channel.name == SIGNAL or channel.request.role != "dmm":
                joined = channel.joined(joined)
        return joined

    def _blocks(self) -> bool:
        wanted = self._plan.block_readings and not self._plan.every_s
        return bool(wanted) and in_blocks(self._run.bench, self._channels[SIGNAL])

    def _slow(self) -> None:
        for channel in self._channels.values():
            if channel.name == SIGNAL:
                continue
            if channel.request.role == "dmm":
                self._stop_blocks()
                began_ns = self._now_ns()
                joined = channel.joined(self._run.joined())
                reading = channel.read(self._run.bench, joined)
                if self._signal_ns is not None and not self._plan.every_s:
                    self._gap(began_ns, self._now_ns(), f"the meter reads the {channel.name}")
                    self._signal_ns = self._now_ns()
            else:
                reading = channel.read(self._run.bench, self._joined())
            self._keep_reading(channel, reading)

    def _keep_reading(self, channel: Channel, reading: Reading) -> None:
        assert self._log is not None
        if channel.name == SIGNAL:
            self._mark_gap(reading.started_ns, max(self._plan.gap_s, 3.0 * self._plan.every_s))
            self._signal_ns = reading.ended_ns
        self._newest[channel.name] = reading.value
        self._log.add(
            Row(channel.code, reading.started_ns, reading.ended_ns, reading.value, reading.limit,
                reading.raw)
        )  # fmt: skip

    def _take(self, block: ValueBlock) -> None:
        assert self._log is not None
        lasted_ns = block.ended_ns - block.started_ns
        self._shortest_ns = min(self._shortest_ns or lasted_ns, lasted_ns)
        if lasted_ns > _LATE * self._shortest_ns:  # the meter was done and waited to be asked
            block = replace(block, ended_ns=block.started_ns + self._shortest_ns)
        self._mark_gap(block.started_ns, self._plan.gap_s)
        self._signal_ns = block.ended_ns
        over = len(block.values) - 1 in block.limits
        self._newest[SIGNAL] = None if over else block.values[-1]
        self._log.add_burst(self._channels[SIGNAL].code, block)

    def _stop_blocks(self) -> None:
        bursts, self._bursts = self._bursts, None
        if bursts is None:
            return
        for block in self._rest(bursts):
            self._take(block)

    def _rest(self, bursts: Bursts) -> Iterator[ValueBlock]:
        """What is under way; a meter that is gone has nothing more to give."""
        try:
            yield from bursts.rest()
        except InstrumentError as error:
            now_ns = self._now_ns()
            self._gap(self._signal_ns or now_ns, now_ns, error.reason)

    def _mark_gap(self, started_ns: int, more_than_s: float) -> None:
        if self._signal_ns is not None and started_ns - self._signal_ns > more_than_s * 1e9:
            self._gap(self._signal_ns, started_ns, "no reading in this time")

    def _gap(self, from_ns: int, to_ns: int, because: str) -> None:
        assert self._log is not None
        self._gaps += 1
        self._log.gap(from_ns, to_ns, because)

    def _lost(self, error: InstrumentError, since_ns: int) -> None:
        """Mark what an instrument did not give, and give up when it stays lost."""
        now_ns = self._now_ns()
        self._bursts = None
        self._gap(self._signal_ns or now_ns, now_ns, f"{error.role}: {error.reason}")
        self._signal_ns = now_ns
        if since_ns > self._plan.lost_at_most_s * 1e9:
            raise BenchFailure(f"the log ends: {error}") from error
        self._run.bench.time.wait(_AGAIN_S)

    def _keep(self) -> None:
        """Have it on the disk, and show what is there."""
        assert self._log is not None
        now_ns = self._now_ns()
        before = self._log.kept
        kept = self._log.keep(now_ns)
        if kept is before:
            return
        rows, since_ns = self._shown
        self._shown = (kept.rows, now_ns)
        rate = (kept.rows - rows) / ((now_ns - since_ns) / 1e9) if since_ns else None
        self._run.desk.show(
            {
                "kind": "log",
                "utc": self._run.utc().isoformat(timespec="seconds"),
                "rows": kept.rows,
                "rate": rate,
                "gaps": self._gaps,
                **self._newest,
            }
        )
