"""The loading rig of a simulated bench: its weights, lever or jack, each a little off.

Weights of one set are off together, within what their certificate says; a certificate's own
deviations from the nominal mass are known. A person at a jack looks at the reference indicator,
which has the error of its calibration. All figures are invented.
"""

from __future__ import annotations

from simulated_bench.instruments.accuracy import drawn, toml_value
from simulated_bench.papers import GRAVITY, Papers
from simulated_bench.rig import DeadWeights, Hydraulic, Rig, weight_newtons
from simulated_bench.scenario import RigTable

WEIGHTS_U_PPM = 50.0 / 3.0
"""Expanded uncertainty of the set: a third of what class M1 may be off, as is usual."""
KNOWN_PPM = 20.0
"""How far a certificate's conventional mass may lie from the nominal one."""
REFERENCE_U = 3e-4
LEVER_RATIO, LEVER_U, LEVER_FRICTION = 10.0, 3e-4, 1e-4
DRAWN = 0.85
"""Errors are drawn flat over this part of U: their spread is then half of U, as U says."""
SMALLEST = 20
"""The smaller weights are a twentieth of the capacity, the others a tenth."""


class Loading:
    """What hangs on the rig when somebody hangs it there, and what papers say of it."""

    def __init__(self, table: RigTable, papers: Papers, seed: int) -> None:
        self.table = table
        self.seed = seed
        self.unit_kg = papers.capacity_kg / 10.0
        used = DRAWN * table.errors
        self._weights = used * WEIGHTS_U_PPM * 1e-6 * drawn(seed, "weights")
        self._lever = used * LEVER_U * drawn(seed, "lever")
        self._friction = table.errors * LEVER_FRICTION * abs(drawn(seed, "lever friction"))
        self._reference = used * REFERENCE_U * drawn(seed, "reference cell")
        self._looks = 0

    def rig(self) -> Rig:
        """Return the rig that moves the force."""
        if self.table.kind == "hydraulic":
            return Rig(Hydraulic(leak_per_minute=self.table.leak_per_minute))
        friction = self._friction if self.table.kind == "lever" else 0.0
        swing, hertz = self.table.swing, self.table.swing_hertz
        return Rig(DeadWeights(swing=swing, swing_hertz=hertz, friction=friction))

    def newtons(self, kilograms: float) -> float:
        """Return the force of weights of this nominal mass, behind the lever where there is one."""
        force = weight_newtons(kilograms * (1 + self._deviation()) * (1 + self._weights), GRAVITY)
        return force * (1 + self._lever) if self.table.kind == "lever" else force

    def pumped(self, newtons: float) -> float:
        """Return the force when somebody pumps until the indicator shows about this much."""
        self._looks += 1
        missed = 2e-4 * drawn(self.seed, "pumped", self._looks)
        return newtons * (1 + missed) / (1 + self._reference)

    def indicated(self, newtons: float) -> float:
        """Return what the reference indicator shows of a force."""
        return newtons * (1 + self._reference)

    def bench_file(self) -> str:
        """Return the tables [rig] and [[weights]]."""
        text = "\n[rig]\n" + _pairs(
            {
                "kind": self.table.kind,
                "description": f"simulated {self.table.kind} rig (invented)",
                "gravity": GRAVITY,
                "gravity_expanded_uncertainty": 4e-5,
                "gravity_source": "survey of the place (invented)",
            }
        )
        if self.table.kind == "hydraulic":
            return text + "\n[rig.reference]\n" + _pairs(self._reference_cell())
        if self.table.kind == "lever":
            text += "\n[rig.lever]\n" + _pairs(
                {
                    "ratio": LEVER_RATIO,
                    "expanded_uncertainty_share": LEVER_U,
                    "friction_share": LEVER_FRICTION,
                    "certificate": "SIM-LEVER-1",
                }
            )
        divisor = LEVER_RATIO if self.table.kind == "lever" else 1.0
        for kilograms, pieces in ((self.unit_kg, 10), (10.0 * self.unit_kg / SMALLEST, 1)):
            text += "\n[[weights]]\n" + _pairs(self._weight(kilograms / divisor, pieces))
        return text

    def _deviation(self) -> float:
        return KNOWN_PPM * 1e-6 * drawn(self.seed, "certificate of the weights")

    def _weight(self, kilograms: float, pieces: int) -> dict[str, object]:
        return {
            "nominal_kilograms": kilograms,
            "pieces": pieces,
            "conventional_kilograms": kilograms * (1 + self._deviation()),
            "expanded_uncertainty_kilograms": kilograms * WEIGHTS_U_PPM * 1e-6,
            "coverage_factor": 2.0,
            "accuracy_class": "M1",
            "serial": "W-1",
            "certificate": "SIM-WEIGHTS-1",
            "laboratory": "Example Calibration Laboratory (invented)",
        }

    def _reference_cell(self) -> dict[str, object]:
        return {
            "capacity_newtons": 20.0 * self.unit_kg * GRAVITY,
            "expanded_uncertainty_share": REFERENCE_U,
            "serial": "R-1",
            "certificate": "SIM-REFERENCE-1",
            "laboratory": "Example Calibration Laboratory (invented)",
        }


def _pairs(pairs: dict[str, object]) -> str:
    return "".join(f"{key} = {toml_value(value)}\n" for key, value in pairs.items())
