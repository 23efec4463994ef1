"""What the papers lead us to expect of a sound cell, and how sound cells scatter about that.

A sound cell is described by independent standard normal deviates z (shape (..., deviates)): what
is common to the arms, their mismatches, the zero, the compensation legs, each conductor, the
temperature and the meter's own errors; at the end the products of some with the temperature.
`readings` goes from z to what the bench reads.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.fault_changes import OUTPUT_SIGNS, SOUND, Change
from acq.analysis.leads import ADJACENT_PAIRS, LeadPair
from acq.analysis.network import BridgeElements, Floats, pick
from acq.analysis.population import Population

TOP_BOTTOM = np.array([1.0, 1.0, -1.0, -1.0])
LEFT_RIGHT = np.array([1.0, -1.0, 1.0, -1.0])
REFERENCE_CELSIUS = 20.0

DEVIATES = (
    "arms",
    "top-bottom",
    "left-right",
    "zero",
    "legs",
    "split",
    "conductors",
    *(f"conductor {lead}" for lead in ("Ex+", "Ex-", "Se+", "Se-", "S+", "S-")),
    "temperature",
    "leg tempco",
    "gain",
    "offset",
)
PLACE = {name: place for place, name in enumerate(DEVIATES)}
WITH_TEMPERATURE = ("legs", "split", "conductors", "leg tempco")
"""The temperature changes what these do: their products with it are deviates of their own."""
COUNT = len(DEVIATES) + len(WITH_TEMPERATURE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedCell:
    """Elements of a sound cell at 20 degC with standard uncertainties, and where they come from.

    `legs_ohms` are the compensation legs at Ex+ and at Ex-; `zero` and `rated_output` in V/V.
    `celsius` is the cell's temperature now. `inferred` says that no papers were at hand.
    """

    wires: int
    arm_ohms: float
    legs_ohms: tuple[float, float]
    conductor_ohms: float
    arm_uncertainty: float = 1.0
    leg_uncertainty: float = 4.0  # of the sum of both legs
    conductor_uncertainty: float = 0.0  # ohm, common to all, beside the population's
    zero: float = 0.0
    zero_uncertainty: float = 1e-5
    rated_output: float = 2e-3
    celsius: float = 22.0
    celsius_uncertainty: float = 0.5
    shield_connected: bool | None = False
    inferred: bool = False
    source: str = "data sheet"

    def __post_init__(self) -> None:
        if self.wires not in (4, 6):
            raise ValueError(f"a bridge has 4 or 6 wires, not {self.wires}")
        if min(self.arm_ohms, self.conductor_ohms) <= 0 or min(self.legs_ohms) < 0:
            raise ValueError("arms and conductors above 0 ohm, legs not below")

    @property
    def input_ohms(self) -> float:
        """Input resistance at the plug at 20 degC, ohm."""
        return self.arm_ohms + sum(self.legs_ohms) + 2.0 * self.conductor_ohms

    @property
    def output_ohms(self) -> float:
        """Output resistance at the plug, ohm."""
        return self.arm_ohms + 2.0 * self.conductor_ohms

    @property
    def compensation(self) -> str:
        """The assumption about the compensation under which arms are stated."""
        plus, minus = self.legs_ohms
        if plus == minus:
            how = "symmetrical" if plus else "no"
        elif 0.0 in (plus, minus):
            how = f"one-sided ({'Ex+' if plus else 'Ex-'})"
        else:
            how = "learnt"
        return f"{how} compensation assumed: {plus:.4g} ohm at Ex+, {minus:.4g} ohm at Ex-"


def elements(cell: ExpectedCell, population: Population, z: Floats) -> BridgeElements:
    """Return the elements at the cell's temperature for deviates z of shape (..., COUNT)."""
    spread = population.spread

    def of(name: str) -> Floats:
        column: Floats = z[..., PLACE[name]]
        return column

    kelvin = cell.celsius - REFERENCE_CELSIUS + cell.celsius_uncertainty * of("temperature")
    arms = cell.arm_ohms + cell.arm_uncertainty * of("arms")
    zero = cell.zero + cell.zero_uncertainty * of("zero")
    mismatch = (
        spread.arm_mismatch * of("top-bottom")[..., None] * TOP_BOTTOM
        + spread.arm_mismatch * of("left-right")[..., None] * LEFT_RIGHT
        + (zero * cell.input_ohms / cell.arm_ohms)[..., None] * OUTPUT_SIGNS
    )
    per_metre = 1.0 + spread.conductor_common * of("conductors")
    copper = cell.conductor_ohms * per_metre * (1.0 + spread.copper_per_kelvin * kelvin)
    copper = copper + cell.conductor_uncertainty * of("conductors")
    each = np.hypot(spread.conductor_each * cell.conductor_ohms, spread.contact_ohms)
    first = PLACE["conductor Ex+"]
    return BridgeElements(
        arms[..., None] * (1.0 + mismatch),
        _legs(cell, population, of, kelvin),
        copper[..., None] + each * z[..., first : first + 6],
    )


def _legs(
    cell: ExpectedCell, population: Population, of: Callable[[str], Floats], kelvin: Floats
) -> Floats:
    spread, total = population.spread, sum(cell.legs_ohms)
    share = cell.legs_ohms[0] / total if total else 0.5
    legs = total + cell.leg_uncertainty * of("legs")
    split = spread.leg_split * total * of("split") * (0.0 if share in (0.0, 1.0) else 1.0)
    tempco = spread.leg_per_kelvin + spread.leg_per_kelvin_spread * of("leg tempco")
    both = np.stack([share * legs + split, (1.0 - share) * legs - split], -1)
    warm: Floats = both * (1.0 + tempco * kelvin)[..., None]
    return warm


def readings(
    cell: ExpectedCell,
    population: Population,
    z: Floats,
    pairs: Sequence[LeadPair],
    change: Change = SOUND,
) -> Floats:
    """Return what the bench reads of a cell, without noise: shape (..., pairs + 1), ohm.

    The last entry is the zero balance as `zero_as_ohms` brings it into ohm, in which every
    fault of one resistor moves all entries along a straight line.
    """
    table = change(elements(cell, population, z))
    meters = population.meters
    gain = 1.0 + meters.gain * z[..., PLACE["gain"], None]
    offset = meters.offset_ohms * z[..., PLACE["offset"], None]
    pp, mp, mm, pm = (pick(table, [pair]) for pair in ADJACENT_PAIRS)
    ohms = gain * pick(table, pairs) + offset
    return np.concatenate([ohms, gain * ((pm - pp) + (mp - mm))], -1)


def zero_as_ohms(zero: Floats, input_ohms: Floats) -> Floats:
    """Return 2 x Rin: what the four adjacent pairs must differ by, in ohm (`predicted_zero`)."""
    ohms: Floats = 2.0 * zero * input_ohms
    return ohms


def sound_readings(
    cell: ExpectedCell, population: Population, pairs: Sequence[LeadPair]
) -> tuple[Floats, Floats]:
    """Return the expected readings (pairs + 1) and their slopes (pairs + 1, COUNT) in z."""
    return with_slopes(lambda z: readings(cell, population, z, pairs))


def with_slopes(of_z: Callable[[Floats], Floats]) -> tuple[Floats, Floats]:
    """Return a function of z at 0 and its slopes there, by central differences.

    The slopes of the products with the temperature are mixed second differences, twice as large:
    a product of two normal deviates has longer tails than a normal one.
    """
    half, single = 0.25, len(DEVIATES)
    warm = half * np.eye(COUNT)[PLACE["temperature"]]
    mixed = half * np.eye(COUNT)[[PLACE[name] for name in WITH_TEMPERATURE]]
    one = half * np.eye(COUNT)[:single]
    corners = [warm + mixed, -warm - mixed, warm - mixed, mixed - warm]
    values = of_z(np.concatenate([np.zeros((1, COUNT)), one, -one, *corners]))
    slopes = (values[1 : single + 1] - values[single + 1 : 2 * single + 1]) / (2.0 * half)
    pp, mm, pm, mp = values[2 * single + 1 :].reshape(4, len(mixed), -1)
    twist = 2.0 * (pp + mm - pm - mp) / (4.0 * half**2)
    return values[0], np.ascontiguousarray(np.concatenate([slopes, twist]).T)
