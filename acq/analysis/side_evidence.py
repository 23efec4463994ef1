"""Log evidence of what is read beside resistances and insulation: scatter of repeats, and EMF."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from acq.analysis.network import Floats
from acq.analysis.population import Meters
from acq.analysis.sizes import SizeIntegral, log_sum, log_uniform

JOINT_OHMS = np.array([0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0])
"""By how much a joint may move between repeats, all as likely."""

THERMAL = log_uniform(1.5e-6, 3e-4, lambda volts: volts)
GALVANIC = log_uniform(1.5e-6, 5e-3, lambda volts: volts)
GALVANIC_SHARE = 0.3  # of the cases of moisture


@dataclass(frozen=True, slots=True, eq=False)
class ScatterEvidence:
    """Log evidence of the standard deviations (cells, pairs) of repeats, in ohm.

    `repeats` is one number, or one for each pair. NaN where a pair was not repeated. Constant
    factors that no fault changes are left out.
    """

    deviations: Floats
    repeats: int | Floats
    meters: Meters

    @property
    def steady(self) -> Floats:
        """Of readings that scatter as the meter does, (cells,)."""
        sigma = np.full((1, self.deviations.shape[-1]), self.meters.repeat_ohms)
        return np.asarray(self._log(sigma)[:, 0])

    def moving(self, weights: Floats) -> Floats:
        """Of a joint that moves the pairs with these weights, (cells,)."""
        sigma = np.hypot(self.meters.repeat_ohms, weights * JOINT_OHMS[:, None])
        return np.asarray(log_sum(self._log(sigma)) - np.log(len(JOINT_OHMS)))

    def _log(self, sigma: Floats) -> Floats:
        """Chi-square distribution of a variance with repeats - 1 degrees of freedom.

        `sigma` (several, pairs) gives (cells, several).
        """
        known = np.isfinite(self.deviations)
        dof = np.where(known, self.repeats - 1.0, 0.0)
        squares = np.where(known, self.deviations, 0.0) ** 2
        return np.asarray(-dof @ np.log(sigma).T - 0.5 * (dof * squares) @ (sigma**-2.0).T)


@dataclass(frozen=True, slots=True, eq=False)
class EmfEvidence:
    """Log evidence of EMFs (cells,) in V that reversal of the excitation has separated."""

    usual: Floats
    thermal: Floats
    galvanic: Floats


def emf_evidence(volts: Floats, meters: Meters) -> EmfEvidence:
    """Return the evidence of an EMF, 0 where it is NaN: not separated."""
    sigma = float(np.hypot(meters.emf_volts, meters.emf_reading_volts))
    known = np.isfinite(volts)
    at = np.where(known, volts, 0.0)
    density = -0.5 * np.log(2.0 * np.pi) - np.log(sigma)
    usual = density - 0.5 * (at / sigma) ** 2
    of_thermal, of_galvanic = _integrals(sigma)
    thermal = density + of_thermal(at)
    wet = density + of_galvanic(at)
    galvanic = np.logaddexp(np.log(GALVANIC_SHARE) + wet, np.log(1.0 - GALVANIC_SHARE) + usual)
    return EmfEvidence(*(np.where(known, x, 0.0) for x in (usual, thermal, galvanic)))


@lru_cache(maxsize=8)
def _integrals(sigma: float) -> tuple[SizeIntegral, SizeIntegral]:
    """Return the tables of thermal and galvanic EMFs for a meter; making them takes long."""
    return SizeIntegral.of(THERMAL, sigma), SizeIntegral.of(GALVANIC, sigma)
