"""The arms of a bridge from its pair resistances, under a stated assumption about the rest.

Six readings hold no more than five numbers near balance, fifteen not much more: resistance that
moves from one compensation leg to the other, with the arms beside it following, leaves all of
them as they are. So arms are stated under an assumption about the compensation, with its own
uncertainty, and what cannot be seen from outside is said. Many cells are solved at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.leads import FOUR_WIRE_PAIRS, SENSE_LOOPS, LeadPair
from acq.analysis.network import LEAD_PLACE, NODE_OF_LEAD, Floats
from acq.analysis.population import Meters, Spread
from acq.analysis.reading_errors import meter_columns

SHARED_STEPS = 4  # with the slopes of a usual cell
SHARED_REACH = 0.02  # how far an arm may be from the usual one to share its slopes
STEPS = 30  # of Gauss and Newton; an open arm takes the most
CLOSE_OHMS = 1e-6
CLOSE_SHARE = 1e-9
SMALLEST_OHMS, LARGEST_OHMS = 1e-3, 1e9
BROKEN_OHMS = 1e5  # an arm above that is stated as open

WAYS = {(0, 1): (0, 2), (0, 2): (0,), (0, 3): (1,), (1, 2): (2,), (1, 3): (3,), (2, 3): (0, 1)}
"""Arms on one of the two ways between nodes top, bottom, S+, S- (`network.NODE_OF_LEAD`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """What is taken for granted: how the legs share their sum, and the cable; ohm, standard.

    `share` is the part of the leg at Ex+: 0.5 symmetrical, 1 or 0 one-sided, else learnt from
    sound cells of the type. `split_ohms` is how well that is known; `conductor_ohms` of one
    conductor counts on a 4-wire cell only, a 6-wire cell shows its own.
    """

    share: float = 0.5
    split_ohms: float = 0.0
    conductor_ohms: float = 0.0
    conductor_uncertainty: float = 0.0
    source: str = "stated"

    @property
    def name(self) -> str:
        """The assumption in words."""
        known = {0.5: "symmetrical", 1.0: "one-sided at Ex+", 0.0: "one-sided at Ex-"}
        how = known.get(self.share, f"learnt, {self.share:.0%} of it at Ex+")
        return f"compensation {how} ({self.source})"


@dataclass(frozen=True, slots=True, eq=False)
class Identification:
    """Arms A, B, C, D (cells, 4), sum of both legs and one conductor (cells,), in ohm.

    `covariance` (cells, 6, 6) of arms, legs, conductor, in ohm squared; `chi_square` of the fit
    has `freedom` degrees of freedom. NaN where a pair was open: nothing can be told then.
    """

    arms: Floats
    legs: Floats
    conductor: Floats
    covariance: Floats
    chi_square: Floats
    freedom: int
    assumption: Assumption

    @property
    def arm_uncertainty(self) -> Floats:
        """Standard uncertainty of each arm (cells, 4), ohm."""
        variance = np.diagonal(self.covariance, axis1=-2, axis2=-1)[..., :4]
        return np.asarray(np.sqrt(variance))


def identify(
    pairs: Sequence[LeadPair],
    ohms: Floats,
    assumption: Assumption,
    *,
    meters: Meters | None = None,
    spread: Spread | None = None,
    covariance: Floats | None = None,
) -> Identification:
    """Return the arms of cells from readings (cells, pairs) in ohm of the named pairs.

    `covariance` (pairs, pairs) of the readings replaces what `meters` make of it. Raises
    ValueError when a pair of the four bridge leads is missing.
    """
    if missing := [str(pair) for pair in FOUR_WIRE_PAIRS if pair not in pairs]:
        raise ValueError(f"arms need all six pairs; missing: {', '.join(missing)}")
    ohms = np.atleast_2d(ohms)
    six_wire = any(pair in pairs for pair in SENSE_LOOPS)
    model = _Model.of(pairs, assumption, spread or Spread(), six_wire=six_wire)
    readable = np.isfinite(ohms).all(-1)
    total = model.covariance(ohms[readable], meters or Meters(), covariance)
    weight = np.asarray(np.linalg.inv(total), np.float64)
    found = _solve(model, ohms[readable], weight)
    out = [np.full((len(ohms), *part.shape[1:]), np.nan) for part in found]
    for whole, part in zip(out, found, strict=True):
        whole[readable] = part
    unknowns, spreads, chi_square = out
    return Identification(
        unknowns[:, :4],
        unknowns[:, 4],
        unknowns[:, 5],
        spreads,
        chi_square,
        len(pairs) - (6 if six_wire else 5),
        assumption,
    )


def unseen(assumption: Assumption, wires: int) -> tuple[str, ...]:
    """Return what no reading at the leads can tell, one sentence each."""
    said = [
        f"Arms hold with {assumption.name}: x ohm less in the leg at Ex+ and x more at Ex- "
        "read as arms A and B 2x higher, C and D 2x lower.",
        "Where inside an arm or a leg the resistance sits (gauge, joint, trim resistor) does "
        "not show.",
        "Polarity does not show in ohms: it needs a load of known sign.",
    ]
    if wires == 4:
        said.append(
            "On four wires a conductor cannot be told from the compensation leg in series with it."
        )
    return tuple(said)


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """Readings as a function of arms, legs, conductor; and what scatters beside them."""

    on_way: Floats  # (pairs, 4): 1 where an arm lies on the chosen way
    loop: Floats  # (pairs,): 1 for a sense loop, which the bridge does not touch
    linear: Floats  # (pairs, 2): slopes of legs and conductor
    nuisance: Floats  # (pairs, any): columns of independent standard deviates
    prior: Floats  # (2,): conductor and its standard uncertainty; inf where it is measured

    @classmethod
    def of(
        cls, pairs: Sequence[LeadPair], assumption: Assumption, spread: Spread, *, six_wire: bool
    ) -> _Model:
        on_way, loop = np.zeros((len(pairs), 4)), np.zeros(len(pairs))
        leads, legs = np.zeros((len(pairs), 6)), np.zeros((len(pairs), 2))
        for row, pair in enumerate(pairs):
            places = LEAD_PLACE[pair.one], LEAD_PLACE[pair.other]
            leads[row, list(places)] = 1.0
            nodes = tuple(sorted(int(NODE_OF_LEAD[place]) for place in places))
            if nodes[0] == nodes[1]:
                loop[row] = 1.0
                continue
            on_way[row, list(WAYS[nodes[0], nodes[1]])] = 1.0
            for node in nodes:
                if node < 2:
                    legs[row, node] += 1.0
        share = np.array([assumption.share, 1.0 - assumption.share])
        split = assumption.split_ohms * (legs[:, :1] - legs[:, 1:])
        each = np.hypot(spread.conductor_each * assumption.conductor_ohms, spread.contact_ohms)
        return cls(
            on_way,
            loop,
            np.stack([legs @ share, leads.sum(-1)], -1),
            np.concatenate([split, each * leads], -1),
            np.array(
                [
                    assumption.conductor_ohms,
                    np.inf if six_wire else max(assumption.conductor_uncertainty, 1e-6),
                ]
            ),
        )

    def covariance(self, ohms: Floats, meters: Meters, given: Floats | None) -> Floats:
        """Return the covariance of the readings about the model, ohm squared."""
        if given is None:
            usual = np.median(ohms, axis=0) if len(ohms) else np.zeros(len(self.loop))
            common = meter_columns(meters, usual)
            given = meters.noise_ohms**2 * np.eye(len(usual)) + common @ common.T
        return np.asarray(given + self.nuisance @ self.nuisance.T)

    def readings(self, unknowns: Floats) -> Floats:
        """Return readings (cells, pairs) at unknowns (cells, 6)."""
        arms = unknowns[:, :4]
        share = (arms @ self.on_way.T) / arms.sum(-1, keepdims=True)
        ring = share * (1.0 - share) * arms.sum(-1, keepdims=True) * (self.loop == 0.0)
        return np.asarray(ring + unknowns[:, 4:] @ self.linear.T)

    def slopes(self, unknowns: Floats) -> Floats:
        """Return slopes (cells, pairs, 6) at unknowns (cells, 6)."""
        arms = unknowns[:, :4]
        share = ((arms @ self.on_way.T) / arms.sum(-1, keepdims=True))[..., None]
        of_arms = np.where(self.on_way > 0, (1.0 - share) ** 2, share**2)
        out = np.empty((*share.shape[:2], 6))
        out[..., :4] = of_arms * (self.loop == 0.0)[:, None]
        out[..., 4:] = self.linear
        return out

    def normal(self, unknowns: Floats, weight: Floats) -> tuple[Floats, Floats]:
        """Return the normal matrices (cells, 6, 6) and what takes a rest to the right side."""
        weighted = np.swapaxes(self.slopes(unknowns), -1, -2) @ weight
        return weighted @ self.slopes(unknowns) + np.diag(self.tie), weighted

    @property
    def tie(self) -> Floats:
        """Weight of what is known of each unknown beforehand."""
        tie = np.zeros(6)
        tie[5] = 0.0 if np.isinf(self.prior[1]) else self.prior[1] ** -2.0
        return tie

    def start(self, ohms: Floats) -> Floats:
        """Return unknowns to begin with: equal arms that give about these readings."""
        ways = self.on_way.sum(-1)
        ring = np.where(self.loop > 0, 0.0, ways * (4 - ways) / 4)
        design = np.column_stack([ring, self.linear])
        measured = bool(np.isinf(self.prior[1]))
        known = 0.0 if measured else self.prior[0]
        columns = design if measured else design[:, :2]
        found = (ohms - known * design[:, 2]) @ np.linalg.pinv(columns).T
        conductor = found[:, 2] if measured else np.full(len(ohms), known)
        arms = np.repeat(np.maximum(found[:, :1], 1.0), 4, axis=1)
        return np.column_stack([arms, found[:, 1], conductor])


def _solve(model: _Model, ohms: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Solve all cells: first with the slopes of a usual cell, the others by Gauss and Newton."""
    at = model.start(ohms)
    if not len(at):
        return at, np.empty((0, 6, 6)), np.empty(0)
    usual = np.median(at, axis=0, keepdims=True)
    normal, weighted = model.normal(usual, weight)
    shared = np.linalg.inv(normal[0])
    for _ in range(SHARED_STEPS):
        step = _push(model, at, ohms, weighted) @ shared
        at += step
    near = np.abs(step[:, :4]).max(-1) < CLOSE_OHMS
    near &= np.abs(at[:, :4] / usual[:, :4] - 1.0).max(-1) < SHARED_REACH
    far = np.flatnonzero(~near)
    covariance = np.broadcast_to(shared, (len(at), 6, 6)).copy()
    at[far] = _newton(model, model.start(ohms[far]), ohms[far], weight)
    covariance[far] = np.linalg.inv(model.normal(at[far], weight)[0])
    rest = ohms - model.readings(at)
    chi_square = ((rest @ weight) * rest).sum(-1)
    if model.tie[5]:
        chi_square += model.tie[5] * (at[:, 5] - model.prior[0]) ** 2
    return at, covariance, chi_square


def _push(model: _Model, at: Floats, ohms: Floats, weighted: Floats) -> Floats:
    rest = ohms - model.readings(at)
    push = (weighted @ rest[..., None])[..., 0] if len(weighted) > 1 else rest @ weighted[0].T
    if model.tie[5]:
        push[:, 5] += model.tie[5] * (model.prior[0] - at[:, 5])
    return np.asarray(push)


def _newton(model: _Model, at: Floats, ohms: Floats, weight: Floats) -> Floats:
    """Gauss and Newton; a step keeps each arm within a factor of 8."""
    going = np.arange(len(at))
    for _ in range(STEPS):
        if not len(going):
            break
        normal, weighted = model.normal(at[going], weight)
        push = _push(model, at[going], ohms[going], weighted)
        step = np.linalg.solve(normal, push[..., None])[..., 0]
        before = at[going, :4]
        arms = np.clip(before + step[:, :4], before / 8.0, before * 8.0)
        at[going, :4] = np.clip(arms, SMALLEST_OHMS, LARGEST_OHMS)
        at[going, 4:] += step[:, 4:]
        moved = np.abs(at[going, :4] / before - 1.0).max(-1)
        going = going[moved > CLOSE_SHARE]
    return at


def arms_in_words(found: Identification, cell: int = 0) -> tuple[str, ...]:
    """Return one sentence per arm, with its expanded uncertainty (k = 2)."""
    said = []
    for place, name in enumerate("ABCD"):
        ohms, u = found.arms[cell, place], found.arm_uncertainty[cell, place]
        if np.isnan(ohms):
            said.append(f"arm {name}: cannot be told while a pair is open")
        elif ohms > BROKEN_OHMS:
            said.append(f"arm {name}: open")
        else:
            said.append(f"arm {name}: {ohms:.2f} ohm ± {2.0 * u:.2g} ohm")
    return tuple(said)
