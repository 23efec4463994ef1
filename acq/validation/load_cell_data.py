"""Published readings and printed figures of load cells and lines, as facts with their source."""

from __future__ import annotations

import numpy as np

from acq.analysis.calibration_data import CalibrationData
from acq.analysis.propagation import Readings

# NIST/ITL Statistical Reference Datasets, linear least squares, "Pontius": calibration of a load
# cell, 20 loads in two runs, deflection over load
PONTIUS_LOADS = tuple(150_000.0 * k for k in range(1, 21))
_PONTIUS_TEXT = (
    "0.11019 0.21956 0.32949 0.43899 0.54803 0.65694 0.76562 0.87487 0.98292 1.09146 "
    "1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844",
    "0.11052 0.22018 0.32939 0.43886 0.54798 0.65739 0.76596 0.87474 0.98300 1.09150 "
    "1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829",
)
PONTIUS_RUNS = tuple(tuple(float(cell) for cell in run.split()) for run in _PONTIUS_TEXT)
# certified by NIST for deflection = B0 + B1 load + B2 load^2
PONTIUS_CERTIFIED = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
PONTIUS_DEVIATIONS = (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16)
PONTIUS_RESIDUAL_DEVIATION = 0.205177424076185e-03


def pontius() -> CalibrationData:
    """Return the readings as points of a curve."""
    return points(
        [*PONTIUS_LOADS, *PONTIUS_LOADS],
        [output for run in PONTIUS_RUNS for output in run],
        [1] * len(PONTIUS_LOADS) + [2] * len(PONTIUS_LOADS),
    )


def points(
    loads: list[float], outputs: list[float], runs: list[int] | None = None
) -> CalibrationData:
    """Return plain readings as points of a curve."""
    numbers = np.array(runs or [1] * len(loads), dtype=np.int64)
    return CalibrationData.plain(Readings(np.array(outputs), np.array(loads), numbers))
