"""What speaks for a fault beside resistances and zero: insulation, EMF, scatter of repeats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.fault_lines import Line
from acq.analysis.faults import Fault, FaultAt
from acq.analysis.first_look import Mask, Places, by_column
from acq.analysis.insulation_evidence import InsulationEvidence
from acq.analysis.leads import Lead
from acq.analysis.leak_models import LEAK_BINS, LEAK_DECADES
from acq.analysis.network import Floats
from acq.analysis.network_evidence import NEVER
from acq.analysis.side_evidence import EmfEvidence, ScatterEvidence
from acq.analysis.sizes import log_sum

LEAK_BESIDE = (1.0, 0.5)
"""Decades from a leak among two leads to the one beside it, to housing or shield: mean, spread."""
LEAK_ALONE = 0.15  # of the leaks between two leads touch neither housing nor shield
MOISTURE_PATH = {Fault.MOISTURE_IN_CELL: 0, Fault.MOISTURE_IN_CABLE: 1}
MUCH = 3.0  # in ln: what makes a loose joint worth a closer look
HOPELESS = 20.0  # in ln

Some = Places | slice
ALL = slice(None)
Shares = Sequence[Sequence[tuple[FaultAt, float]]]
"""Per line its faults, each with ln of its share in the population."""


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """Log evidence of many cells beside the network; every array begins with the cells."""

    paths: InsulationEvidence
    emf: EmfEvidence
    steady: Floats
    moving: dict[bytes, Floats]

    @classmethod
    def of(
        cls,
        lines: Sequence[Line],
        paths: InsulationEvidence,
        emf: EmfEvidence,
        scatter: ScatterEvidence | None,
    ) -> Beside:
        """Return the evidence; what a moving joint would give is computed for all its places."""
        moving: dict[bytes, Floats] = {}
        for line in lines if scatter else ():
            if line.scatter is not None and scatter is not None:
                key = line.scatter.tobytes()
                if key not in moving:
                    moving[key] = scatter.moving(line.scatter)
        steady = scatter.steady if scatter else np.zeros_like(emf.usual)
        return cls(paths, emf, steady, moving)

    @property
    def sound(self) -> Floats:
        """Of a fault that shows nowhere here, (cells,)."""
        return self.paths.sound + self.emf.usual + self.steady

    def log(self, line: Line, place: FaultAt, size: Floats, some: Some = ALL) -> Floats:
        """Return the log evidence of a fault on a line at these sizes, for all cells or some."""
        path = self.path(line, place, size, some)
        return np.asarray(path + self.voltage(place)[some] + self.joint(line)[some])

    def at_most(self, lines: Sequence[Line], shares: Shares) -> tuple[Floats, Mask]:
        """Return about what speaks for each line (cells, lines), and which lines are wanted."""
        cells = len(self.steady)
        most = by_column((cells, len(lines)), NEVER)
        leak = np.maximum(self.paths.leaks.max(-1), self.paths.sound[:, None])
        wanted = np.zeros((cells, len(lines)), bool, order="F")
        for number, line in enumerate(lines):
            for place, share in shares[number]:
                path = MOISTURE_PATH.get(place.fault)
                if path is not None and line.leak_bin is None:
                    log = leak[:, path] + self.voltage(place) + self.steady + share
                else:
                    log = self.log(line, place, self.steady) + share
                np.maximum(most[:, number], log, out=most[:, number])
        best = most.max(-1)
        for number, line in enumerate(lines):
            if line.leak_bin is not None:
                wanted[:, number] = True
            elif line.scatter is not None and self.moving:
                wanted[:, number] = self.joint(line) > self.steady + MUCH
            elif not line.from_papers:
                wanted[:, number] = most[:, number] > best - HOPELESS
        return most, wanted

    def path(self, line: Line, place: FaultAt, size: Floats, some: Some = ALL) -> Floats:
        """Return what the insulation readings say."""
        path = MOISTURE_PATH.get(place.fault)
        if path is not None and line.leak_bin is not None:
            return self.paths.leaks[some, path, line.leak_bin]
        if path is not None:
            return self._near(path, line, size, some)
        if place.fault is Fault.SHIELD_TO_HOUSING:
            return self.paths.tie[some]
        if place.fault is Fault.LEAD_SHORT and len(place.where) == 1:
            return self.paths.contacts[some, 0 if place.where[0] is Lead.HOUSING else 1]
        return self.paths.sound[some]

    def _near(self, path: int, line: Line, size: Floats, some: Some) -> Floats:
        """A leak between two leads usually comes with a lesser one to housing or shield."""
        assert line.leak_ohms is not None
        total = np.log10(np.maximum(line.leak_ohms(size), 1.0)) + LEAK_BESIDE[0]
        middles = np.append(0.5 * (LEAK_BINS[:-1] + LEAK_BINS[1:]), LEAK_BINS[-1] + 0.7)
        middles = np.minimum(middles, LEAK_DECADES[1])
        weights = -0.5 * ((middles - total[:, None]) / LEAK_BESIDE[1]) ** 2
        weights -= log_sum(weights)[:, None]
        beside = log_sum(weights + self.paths.leaks[some, path])
        both = np.log(1.0 - LEAK_ALONE) + beside, np.log(LEAK_ALONE) + self.paths.sound[some]
        return np.asarray(np.logaddexp(*both))

    def voltage(self, place: FaultAt) -> Floats:
        """Return what the EMF says, (cells,)."""
        if place.fault in MOISTURE_PATH:
            return self.emf.galvanic
        return self.emf.thermal if place.fault is Fault.THERMAL_EMF else self.emf.usual

    def joint(self, line: Line) -> Floats:
        """Return what the scatter of repeats says, (cells,)."""
        if line.scatter is None or not self.moving:
            return self.steady
        return self.moving[line.scatter.tobytes()]
