"""The log of a run for a drift report: signal over excitation, with the temperature at the time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acq.analysis.thinning import Thinning
from acq.desk.drift_report import DriftLog, drift_log
from acq.errors import WrongInput
from acq.runs.folders import find_run_folder
from acq.runs.logged import About, LoggedRows, blocks, rows_of
from acq.runs.reading_log import FIRST_LINE, Kind

Array = NDArray[np.float64]
LOG_FILE = "readings.log"
SIGNAL, EXCITATION, TEMPERATURE = "signal", "excitation", "temperature"


def log_of(name: str) -> Path:
    """Return the log of a run by the run's number, its folder, or the path of the log itself.

    Raises WrongInput when there is none.
    """
    path = Path(name)
    if path.is_file():
        return path
    path = find_run_folder(name).path / LOG_FILE
    if not path.is_file():
        raise WrongInput(f"run {name} has logged nothing: there is no {path}")
    return path


def is_log(path: Path) -> bool:
    """Whether a file begins as a log of readings does."""
    try:
        with path.open("rb") as file:
            return file.read(len(FIRST_LINE)) == FIRST_LINE
    except OSError:
        return False


@dataclass(slots=True)
class Ratios:
    """Signal over the newest excitation, chunk by chunk; V alone where none is logged."""

    about: About = field(default_factory=About)
    gaps: int = 0
    left_out: int = 0  # readings out of range, or before the first of another channel
    _newest: dict[str, float] = field(default_factory=dict)

    def chunks(self, path: Path) -> Iterator[tuple[Array, Array, Array]]:
        """Yield (seconds of bench time, values, temperature or NaN) of one block after another."""
        for block in blocks(path):
            match block.kind:
                case Kind.NOTE:
                    self.about.take(block.note())
                case Kind.GAP:
                    self.gaps += 1
                case _:
                    yield self._values(rows_of(block))

    @property
    def names(self) -> set[str]:
        """Names of the channels."""
        return {channel.name for channel in self.about.channels.values()}

    @property
    def unit(self) -> str:
        """Unit of the values."""
        return "mV/V" if EXCITATION in self.names else "V"

    def _values(self, rows: LoggedRows) -> tuple[Array, Array, Array]:
        count = len(rows.values)
        columns = {name: np.full(count, self._newest.get(name, np.nan)) for name in self.names}
        signal = np.zeros(count, dtype=bool)
        for code, channel in self.about.channels.items():
            here = rows.channels == code
            if channel.name == SIGNAL:
                signal = here
                columns[SIGNAL][here] = rows.values[here]
            else:
                self._hold(channel.name, columns[channel.name], here, rows.values)
        values = columns[SIGNAL]
        if EXCITATION in columns:
            values = 1e3 * values / columns[EXCITATION]
        kept = signal & np.isfinite(values)
        self.left_out += int(np.count_nonzero(signal) - np.count_nonzero(kept))
        weather = columns.get(TEMPERATURE, np.full(count, np.nan))
        return rows.ended_ns[kept] / 1e9, values[kept], weather[kept]

    def _hold(self, name: str, column: Array, here: NDArray[np.bool_], values: Array) -> None:
        """A slow channel holds until it is read again."""
        for place in np.flatnonzero(here & np.isfinite(values)):
            column[place:] = values[place]
            self._newest[name] = float(values[place])


def read_run_log(
    path: Path, excited: str | None = None, loaded: str | None = None, unit: str | None = None
) -> DriftLog:
    """Return the record of a run's log, in memory that does not grow with it.

    Moments are ISO 8601, or seconds since the first reading. Raises WrongInput.
    """
    ratios, thinning, warm = Ratios(), Thinning(1), True
    began: float | None = None
    for times, values, weather in ratios.chunks(path):
        if len(times) == 0:
            continue
        began = float(times[0]) if began is None else began
        warm = warm and bool(np.isfinite(weather).all())
        thinning.add(times - began, values, np.nan_to_num(weather))
    if began is None:
        raise WrongInput(f"{path}: holds no readings of the signal")
    events: Mapping[str, float | None] = {
        "excited_s": _moment(path, excited, ratios.about, began),
        "loaded_s": _moment(path, loaded, ratios.about, began),
    }
    log = drift_log(path, thinning, unit or ratios.unit, ["temperature"], events, ratios.gaps)
    if warm:
        return log
    from dataclasses import replace

    return replace(log, record=replace(log.record, temperature=None))


def _moment(path: Path, text: str | None, about: About, began_s: float) -> float | None:
    if text is None:
        return None
    try:
        return float(text)
    except ValueError:
        pass
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise WrongInput(f"{path}: time {text!r}: ISO 8601, or seconds from the start") from None
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return moment.timestamp() - about.start_ns / 1e9 - began_s
