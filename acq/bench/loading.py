"""Loads by what a bench has: which weights make a load, how sure it is, mass or force.

A load is a conventional mass in kg or a force in N, as the cell's capacity is; where the rig has
the other kind, gravity lies between them and must be known. Weights of one set were calibrated
against one standard, so their errors add up arithmetically.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from acq.bench.rig_file import Rig
from acq.cells.paper_fields import Load
from acq.errors import WrongInput
from acq.readings.gravity import REFERENCE_DENSITY, normal_gravity, weight_force

if TYPE_CHECKING:
    from acq.bench.bench_file import BenchFile, Weight

RECTANGULAR = math.sqrt(3.0)
NORMAL_GRAVITY_SHARE = 5e-4
"""Half width of what normal gravity may be off, of itself (mountains; common practice)."""
_ONE_NEWTON_PER_KILOGRAM = weight_force(1.0, 1.0)
_SAME = 1e-9
FRICTION = "lever friction"
"""In proportion to the load: of one sign where loads rise, of the other where they fall."""


@dataclass(frozen=True, slots=True)
class Gravity:
    """Gravity of the place in m/s2, its standard uncertainty as a share, and where it is from."""

    value: float
    share: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """One load as it is put on: what the hand needs, what the series reckons with.

    `value` is in the unit of the capacity; `errors` are one standard deviation of each
    influence in that unit, signed, those of one name moving together. `hand` is the order to the
    rig.
    """

    value: float
    text: str
    hand: Mapping[str, float]
    errors: Mapping[str, float]

    @property
    def reached_falling(self) -> Applied:
        """The same load, reached from a larger one: friction holds back the other way."""
        if FRICTION not in self.errors:
            return self
        return replace(self, errors={**self.errors, FRICTION: -self.errors[FRICTION]})


class Loading:
    """What a bench file says of rig and weights."""

    def __init__(self, rig: Rig, weights: Sequence[Weight]) -> None:
        self.rig = rig
        self.weights = tuple(weights)

    @classmethod
    def of(cls, file: BenchFile) -> Loading | None:
        """Return the loading of a bench; None where its file has neither rig nor weights."""
        if file.rig is None and not file.weights:
            return None
        return cls(file.rig or Rig(), file.weights)

    @property
    def gravity(self) -> Gravity | None:
        """Gravity of the place; None when nobody has said where the rig stands."""
        rig = self.rig
        if rig.gravity is not None:
            u = (rig.gravity_expanded_uncertainty or 0.0) / 2.0
            return Gravity(rig.gravity, u / rig.gravity, rig.gravity_source or "bench file")
        if rig.latitude_deg is None:
            return None
        value = normal_gravity(rig.latitude_deg, rig.height_m)
        source = f"normal gravity (GRS80) at {rig.latitude_deg:g} deg and {rig.height_m:g} m"
        return Gravity(value, NORMAL_GRAVITY_SHARE / RECTANGULAR, source)

    @property
    def by_force(self) -> bool:
        """Whether the rig's own loads are forces: a reference cell reads them."""
        return self.rig.kind == "hydraulic"

    def applied(self, wanted: float, unit: str, most: float, within: float) -> Applied:
        """Return the load nearest to what is wanted, in `unit` (kg or N).

        `most` is never passed. Raises WrongInput where the weights make none within `within`,
        or where gravity is needed and not known.
        """
        if self.by_force:
            return self._hydraulic(wanted, unit, most)
        return self._hung(wanted, unit, most, within)

    def per_kilogram(self) -> float:
        """Return the force in N of 1 kg of conventional mass here. Raises WrongInput."""
        gravity = self.gravity
        if gravity is None:
            raise WrongInput(
                "mass and force meet here and gravity is not known: give gravity (m/s2) or"
                " latitude_deg in [rig] of the bench file"
            )
        return _ONE_NEWTON_PER_KILOGRAM * gravity.value

    def in_unit(self, newtons: float, unit: str) -> float:
        """Return a force in N, or the conventional mass that presses as hard here."""
        return newtons if unit == "N" else newtons / self.per_kilogram()

    def conversion(self, capacity: Load) -> str:
        """Say what stands between the rig's loads and the capacity; empty when nothing does."""
        if (capacity.unit == "N") == self.by_force:
            return ""
        gravity = self.gravity
        where = "" if gravity is None else f"{gravity.value:.5f} m/s2, {gravity.source}"
        if self.by_force:
            return f"forces stated as conventional mass by local gravity {where}, air 1.2 kg/m3"
        return f"conventional mass stated as force by local gravity {where}, air 1.2 kg/m3"

    # --- hung weights

    def _hung(self, wanted: float, unit: str, most: float, within: float) -> Applied:
        ratio = self.rig.lever.ratio if self.rig.lever is not None else 1.0
        per_kilogram = ratio * (1.0 if unit == "kg" else self.per_kilogram())
        kilograms, ceiling = abs(wanted) / per_kilogram, abs(most) / per_kilogram
        taken = self._taken(kilograms, ceiling, within / per_kilogram)
        mass = math.fsum(count * _conventional(weight) for weight, count in taken)
        nominal = math.fsum(count * weight.nominal_kilograms for weight, count in taken)
        value = mass * per_kilogram
        errors = dict(self._set_errors(taken, per_kilogram))
        errors |= self._common(value, converted=unit == "N")
        if self.rig.lever is not None:
            lever = self.rig.lever
            u = lever.expanded_uncertainty_share / lever.coverage_factor
            errors["lever ratio"] = value * u
            errors[FRICTION] = value * lever.friction_share / RECTANGULAR
        sign = math.copysign(1.0, wanted) if wanted else 1.0
        return Applied(
            value=sign * value,
            text=_told(taken, nominal),
            hand={"kilograms": sign * nominal * ratio},
            errors={name: each for name, each in errors.items() if each},
        )

    def _taken(self, kilograms: float, ceiling: float, within: float) -> list[tuple[Weight, int]]:
        """Return weights and how many of each come nearest, the largest ones first."""
        left, taken = kilograms, []
        for weight in sorted(self.weights, key=lambda each: -each.nominal_kilograms):
            count = min(weight.pieces, math.floor(left / weight.nominal_kilograms + _SAME))
            if count > 0:
                taken.append((weight, count))
                left -= count * weight.nominal_kilograms
        spare = self._one_more(taken, left, ceiling - (kilograms - left))
        if spare is not None and abs(left - spare.nominal_kilograms) < left:
            taken, left = [*taken, (spare, 1)], left - spare.nominal_kilograms
        if abs(left) > within + _SAME * kilograms:
            have = math.fsum(each.nominal_kilograms * each.pieces for each in self.weights)
            raise WrongInput(
                f"the weights of the bench file (together {have:g} kg) make no load within"
                f" {within:.3g} kg of {kilograms:.6g} kg: add weights, or change the plan's points"
            )
        return taken

    def _one_more(
        self, taken: Sequence[tuple[Weight, int]], left: float, room: float
    ) -> Weight | None:
        used = {id(weight): count for weight, count in taken}
        free = [
            weight
            for weight in self.weights
            if used.get(id(weight), 0) < weight.pieces
            and weight.nominal_kilograms <= room * (1 + _SAME)
        ]
        return min(free, key=lambda each: abs(each.nominal_kilograms - left), default=None)

    def _set_errors(
        self, taken: Sequence[tuple[Weight, int]], factor: float
    ) -> Mapping[str, float]:
        """Return by set what it gives; within a set errors add up arithmetically."""
        errors: dict[str, float] = {}
        for weight, count in taken:
            U = weight.expanded_uncertainty_kilograms
            if U is None:
                raise WrongInput(
                    f"weights of {weight.nominal_kilograms:g} kg: the bench file states no"
                    " expanded_uncertainty_kilograms; take it from their certificate, or the"
                    " limit of their class with coverage_factor = 1.732"
                )
            name = f"weights, {weight.certificate or weight.serial or 'one set'}"
            u = count * U / weight.coverage_factor * factor
            errors[name] = errors.get(name, 0.0) + u
        return errors

    def _common(self, value: float, *, converted: bool) -> Mapping[str, float]:
        """Return what every load shares: the axis out of plumb, and gravity where it is used."""
        tilt = 1.0 - math.cos(math.radians(self.rig.tilt_degrees))
        errors = {"alignment of the load": abs(value) * tilt / RECTANGULAR}
        gravity = self.gravity
        if converted and gravity is not None:
            air = self.rig.air_density_half_width / REFERENCE_DENSITY / RECTANGULAR
            errors |= {"gravity": abs(value) * gravity.share, "air buoyancy": abs(value) * air}
        return errors

    # --- a jack with a reference cell

    def _hydraulic(self, wanted: float, unit: str, most: float) -> Applied:
        newtons = wanted if unit == "N" else wanted * self.per_kilogram()
        reference = self.rig.reference
        assert reference is not None
        if abs(newtons) > reference.capacity_newtons * (1 + _SAME):
            raise WrongInput(
                f"{abs(newtons):.6g} N is beyond the reference cell's capacity,"
                f" {reference.capacity_newtons:g} N"
            )
        if abs(wanted) > abs(most) * (1 + _SAME):
            raise WrongInput(f"{wanted:g} {unit} is beyond {most:g} {unit}")
        u = reference.expanded_uncertainty_share / reference.coverage_factor
        errors = {f"reference cell {reference.serial}".strip(): abs(wanted) * u}
        errors |= self._common(wanted, converted=unit == "kg")
        return Applied(
            value=wanted,
            text=f"{newtons:.5g} N on the reference indicator",
            hand={"newtons": newtons},
            errors={name: each for name, each in errors.items() if each},
        )


def _conventional(weight: Weight) -> float:
    if weight.conventional_kilograms is not None:
        return weight.conventional_kilograms
    return weight.nominal_kilograms


def _told(taken: Sequence[tuple[Weight, int]], nominal: float) -> str:
    if not taken:
        return "nothing"
    parts = [
        f"{count} x {weight.nominal_kilograms:g} kg" if count > 1
        else f"{weight.nominal_kilograms:g} kg"
        for weight, count in taken
    ]  # fmt: skip
    return f"{nominal:g} kg ({' + '.join(parts)})"
