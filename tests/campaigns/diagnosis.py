"""The campaign: thousands of drawn cells diagnosed, and what came of it as a table.

    python -m tests.campaigns.diagnosis [--types N] [--cells N] [--seed N] [--out FILE]

Cells and readings come from the simulated circuit (`drawn_cells`, `drawn_faults`), which shares
nothing with the analysis but the stated population.
"""

from __future__ import annotations

import argparse
import subprocess
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from acq.analysis.arms import Assumption, identify
from acq.analysis.detection import DetectionLimit, detection_limits
from acq.analysis.expectation import COUNT
from acq.analysis.faults import NONE_FOUND, Fault, FaultAt
from acq.analysis.leads import FOUR_WIRE_PAIRS, lead_pairs
from acq.analysis.network import Floats, predicted_zero
from acq.analysis.papers import condition, learned_legs
from acq.analysis.ranking import CellReadings, Ranker, Ranking
from tests.campaigns.drawn_cells import (
    POPULATION,
    CellType,
    Drawn,
    draw,
    draw_types,
    read,
    true_zero,
)
from tests.campaigns.drawn_faults import possible, spoil

HERE = Path(__file__).parent
RECORD = "earlier record"
EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0)
Z95 = 1.959963984540054
ARMS_KNOWN = frozenset(
    {
        Fault.NONE_FOUND,
        Fault.ARM_CHANGED,
        Fault.ZERO_COMPENSATION_FAILED,
        Fault.PLASTIC_SET,
        Fault.THERMAL_EMF,
        Fault.SHIELD_TO_HOUSING,
    }
)
"""Faults under which the assumption about the compensation still holds."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One cell: what was wrong, whether beyond the limit, what was answered and how surely."""

    papers: str
    wires: int
    nominal: float
    truth: FaultAt
    size: float
    detectable: bool
    answer: FaultAt
    chance: float

    @property
    def right(self) -> bool:
        return self.answer.fault is self.truth.fault

    @property
    def placed(self) -> bool:
        return self.answer == self.truth


@dataclass(slots=True)
class Results:
    """All outcomes, and how often 95 % intervals held what they should."""

    outcomes: list[Outcome]
    covered: Counter[str]
    intervals: Counter[str]
    limits: dict[str, list[str]]


def run(seed: int, types: int, cells: int, records: int) -> Results:
    """Draw `types` types with `cells` cells each; of each with earlier records only `records`."""
    rng = np.random.default_rng(seed)
    results = Results([], Counter(), Counter(), {})
    for of in draw_types(rng, types):
        count = records if of.papers == RECORD else cells
        drawn = draw(rng, of, count, POPULATION)
        for cell in range(count):
            if rng.uniform() < 0.5:
                faults = possible(drawn)
                spoil(rng, drawn, cell, faults[rng.integers(len(faults))])
        readings = read(rng, drawn, POPULATION)
        _judge(results, drawn, readings)
        _cover(results, drawn, readings)
    return results


def _judge(results: Results, drawn: Drawn, readings: CellReadings) -> None:
    ranker = _ranker(drawn.type)
    limits = detection_limits(ranker)
    _note_limits(results, drawn.type, limits)
    if drawn.type.papers == RECORD:
        for cell in range(drawn.count):
            own, one = _own(drawn, readings, cell)
            _take(results, drawn, own.rank(one), limits, [cell])
    else:
        _take(results, drawn, ranker.rank(readings), limits, range(drawn.count))


def _ranker(of: CellType) -> Ranker:
    root = condition(of.expected, POPULATION, of.earlier).root if of.earlier else None
    return Ranker(of.expected, POPULATION, lead_pairs(of.wires), root=root)


def _own(drawn: Drawn, readings: CellReadings, cell: int) -> tuple[Ranker, CellReadings]:
    """Return a ranker for one cell whose papers show its own legs."""
    expected, mean = learned_legs(drawn.type.expected, POPULATION, drawn.mean[cell])
    known = condition(drawn.type.expected, POPULATION, drawn.type.earlier)
    ranker = Ranker(expected, POPULATION, lead_pairs(drawn.type.wires), root=known.root)
    return ranker, one_cell(readings, cell, mean)


def one_cell(readings: CellReadings, cell: int, mean: Floats) -> CellReadings:
    """Return a batch of one."""
    assert readings.zero is not None
    assert readings.emf is not None
    assert readings.insulation is not None
    assert readings.scatter is not None
    at = slice(cell, cell + 1)
    insulation = type(readings.insulation)(
        readings.insulation.decades[at], readings.insulation.above[at]
    )
    return CellReadings(
        pairs=readings.pairs[at],
        zero=readings.zero[at],
        emf=readings.emf[at],
        insulation=insulation,
        scatter=readings.scatter[at],
        repeats=readings.repeats,
        mean=mean[None],
    )


def _take(
    results: Results,
    drawn: Drawn,
    ranking: Ranking,
    limits: Mapping[FaultAt, tuple[DetectionLimit, ...]],
    cells: Sequence[int],
) -> None:
    of = drawn.type
    for row, cell in enumerate(cells):
        answer = int(ranking.first[row])
        truth, size = drawn.truth[cell], float(drawn.size[cell])
        results.outcomes.append(
            Outcome(
                of.papers,
                of.wires,
                of.nominal_ohms,
                truth,
                size,
                beyond(limits, truth, _in_unit(of, truth.fault, size)),
                ranking.faults[answer],
                float(ranking.probability[row, answer]),
            )
        )


def beyond(
    limits: Mapping[FaultAt, tuple[DetectionLimit, ...]], truth: FaultAt, size: float
) -> bool:
    """Return whether a fault is beyond its stated limit; the way that has such sizes decides."""
    ways = limits.get(truth, ())
    sized = [x for x in ways if x.unit and np.isfinite(size)]
    if truth.fault is Fault.COMPENSATION_FAILED:
        exact = abs(abs(size) - 100.0) < 1e-6 and size < 0
        sized = [x for x in sized if (x.least == x.most) == exact]
    chosen = sized or [x for x in ways if not x.unit] or list(ways)
    return bool(chosen) and all(
        x.detects(size) or (not x.unit and x.size is not None) for x in chosen
    )


def _in_unit(of: CellType, fault: Fault, size: float) -> float:
    """Return a drawn size in the unit of its limit."""
    match fault:
        case Fault.ARM_CHANGED | Fault.OPEN_ARM | Fault.COMPENSATION_FAILED | Fault.PLASTIC_SET:
            return 100.0 * size
        case Fault.WRONG_CABLE_LENGTH | Fault.WRONG_PAPERS:
            return 100.0 * size
        case Fault.ZERO_COMPENSATION_FAILED:
            return of.nominal_ohms * size
        case Fault.SHORTED_ARM:
            return of.nominal_ohms * (1.0 + size)
        case Fault.THERMAL_EMF:
            return 1e6 * size
    return size


SHOWN = (
    Fault.ARM_CHANGED,
    Fault.PLASTIC_SET,
    Fault.ZERO_COMPENSATION_FAILED,
    Fault.LOOSE_JOINT,
    Fault.LEAD_SHORT,
    Fault.MOISTURE_IN_CELL,
    Fault.NOT_SOAKED,
    Fault.WRONG_CABLE_LENGTH,
    Fault.THERMAL_EMF,
)


def _note_limits(
    results: Results, of: CellType, limits: Mapping[FaultAt, tuple[DetectionLimit, ...]]
) -> None:
    for place, ways in limits.items():
        for way in ways:
            if place.fault in SHOWN:
                key = f"{place.fault}|{of.papers}|{way.unit}"
                size = "never" if way.size is None else f"{way.size:.6g}"
                results.limits.setdefault(key, []).append(size)


def _cover(results: Results, drawn: Drawn, readings: CellReadings) -> None:
    """Count how often 95 % intervals of arms and of the predicted zero hold the truth."""
    fits = [
        cell
        for cell in range(drawn.count)
        if drawn.truth[cell].fault in ARMS_KNOWN and (drawn.arms[cell] < 1e4).all()
    ]
    if not fits:
        return
    of, expected = drawn.type, drawn.type.expected
    warm = 1.0 + POPULATION.spread.leg_per_kelvin * (of.celsius - 20.0)
    total = sum(of.legs_ohms) * warm
    share = of.legs_ohms[0] / sum(of.legs_ohms)
    copper = of.conductor_ohms * (230.0 + of.celsius) / 250.0
    assumption = Assumption(
        share=share,
        split_ohms=POPULATION.spread.leg_split * total * (0.0 < share < 1.0),
        conductor_ohms=copper,
        conductor_uncertainty=POPULATION.spread.conductor_common * copper,
    )
    pairs = lead_pairs(of.wires)
    found = identify(pairs, readings.pairs[fits], assumption, meters=POPULATION.meters)
    away = np.abs(found.arms - drawn.arms[fits]) / found.arm_uncertainty
    name = f"arms, {of.wires} wires"
    results.covered[name] += int((away < Z95).sum())
    results.intervals[name] += away.size
    columns = {p: readings.pairs[fits, pairs.index(p)] for p in FOUR_WIRE_PAIRS}
    spread = POPULATION.meters.noise_ohms / columns[FOUR_WIRE_PAIRS[0]]
    missed = np.abs(predicted_zero(columns) - true_zero(drawn)[fits]) / spread
    results.covered["predicted zero"] += int((missed < Z95).sum())
    results.intervals["predicted zero"] += missed.size
    assert expected.wires == of.wires
    assert drawn.mean.shape[1] == COUNT


def table(results: Results, seed: int) -> str:
    """Return the table as markdown."""
    return "\n".join(
        [
            *_head(results, seed),
            *_by_fault(results),
            *_by_papers(results),
            *_reliability(results),
            *_coverage(results),
            *_limits(results),
            "",
        ]
    )


def _head(results: Results, seed: int) -> Iterator[str]:
    outcomes = results.outcomes
    faulty = [x for x in outcomes if x.truth != NONE_FOUND]
    above = [x for x in faulty if x.detectable]
    sound = [x for x in outcomes if x.truth == NONE_FOUND]
    yield "# Diagnosis of drawn cells"
    yield ""
    yield f"Drawn {datetime.now(UTC):%Y-%m-%d}, seed {seed}, at {_revision()}."
    yield "Written by `python -m tests.campaigns.diagnosis`; every number holds for the"
    yield "population stated in `tests/campaigns/drawn_cells.py` and `drawn_faults.py`."
    yield ""
    yield "| what | found | goal |"
    yield "|---|---|---|"
    yield f"| cells | {len(outcomes)} | >= 10000 |"
    yield f"| faults beyond the stated limit: right fault first | {_share(x.right for x in above)} | >= 97 % |"  # noqa: E501
    yield f"| the same: right place first | {_share(x.placed for x in above)} | >= 97 % |"
    yield f"| sound cells answered with a fault | {_share(not x.right for x in sound)} | <= 0.5 % |"
    yield f"| all faults, however small: right fault first | {_share(x.right for x in faulty)} | |"
    yield ""


def _share(hits: Iterator[bool]) -> str:
    every = list(hits)
    return f"{100.0 * sum(every) / len(every):.2f} % of {len(every)}" if every else "none"


def _revision() -> str:
    told = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        cwd=HERE,
        capture_output=True,
        text=True,
        check=False,
    )
    return told.stdout.strip() or "an unknown revision"


def _by_fault(results: Results) -> Iterator[str]:
    yield "## By fault"
    yield ""
    yield "| fault | cells | beyond the limit | right fault | right place | all sizes: right | taken for |"  # noqa: E501
    yield "|---|---|---|---|---|---|---|"
    kinds = sorted({x.truth.fault for x in results.outcomes})
    for kind in kinds:
        every = [x for x in results.outcomes if x.truth.fault is kind]
        above = [x for x in every if x.detectable]
        wrong = Counter(str(x.answer.fault) for x in every if not x.right).most_common(3)
        taken = ", ".join(f"{name} {count}" for name, count in wrong)
        yield (
            f"| {kind} | {len(every)} | {len(above)} | {_share(x.right for x in above)} | "
            f"{_share(x.placed for x in above)} | {_share(x.right for x in every)} | {taken} |"
        )
    yield ""


def _by_papers(results: Results) -> Iterator[str]:
    yield "## By papers, wires and nominal"
    yield ""
    yield "| cells with | beyond the limit: right fault | right place | false alarms |"
    yield "|---|---|---|---|"
    groups = {
        **{x.papers: "papers" for x in results.outcomes},
        **{f"{x.wires} wires": "wires" for x in results.outcomes},
        **{f"{x.nominal:g} ohm": "nominal" for x in results.outcomes},
    }
    for name in sorted(groups):
        mine = [
            x
            for x in results.outcomes
            if name in (x.papers, f"{x.wires} wires", f"{x.nominal:g} ohm")
        ]
        above = [x for x in mine if x.detectable and x.truth != NONE_FOUND]
        sound = [x for x in mine if x.truth == NONE_FOUND]
        yield (
            f"| {name} | {_share(x.right for x in above)} | {_share(x.placed for x in above)} | "
            f"{_share(not x.right for x in sound)} |"
        )
    yield ""


def _reliability(results: Results) -> Iterator[str]:
    yield "## Probability stated for the answer, against how often it was right"
    yield ""
    yield "| stated | answers | mean stated | right (fault and place) |"
    yield "|---|---|---|---|"
    for low, high in pairwise(EDGES):
        mine = [x for x in results.outcomes if low <= x.chance < high or x.chance == high == 1.0]
        if mine:
            mean = float(np.mean([x.chance for x in mine]))
            hits = float(np.mean([x.placed for x in mine]))
            yield f"| {low:g} to {high:g} | {len(mine)} | {mean:.4f} | {hits:.4f} |"
    yield ""


def _coverage(results: Results) -> Iterator[str]:
    yield "## Coverage of stated 95 % intervals (goal 93 to 97 %)"
    yield ""
    yield "| interval | held the truth |"
    yield "|---|---|"
    for name, count in sorted(results.intervals.items()):
        yield f"| {name} | {100.0 * results.covered[name] / count:.2f} % of {count} |"
    yield ""


def _limits(results: Results) -> Iterator[str]:
    yield "## Stated detection limits, over all drawn types: best, median, worst"
    yield ""
    yield "| fault | papers | unit | best | median | worst |"
    yield "|---|---|---|---|---|---|"
    for key in sorted(results.limits):
        fault, papers, unit = key.split("|")
        never = [x for x in results.limits[key] if x == "never"]
        known = sorted(float(x) for x in results.limits[key] if x != "never")
        if "ohm" in unit and fault in ("lead-short", "moisture-in-cell"):
            known = known[::-1]  # a path is worse the smaller it is
        ordered = [f"{x:.3g}" for x in known] + ["never"] * len(never)
        middle = ordered[len(ordered) // 2]
        yield f"| {fault} | {papers} | {unit} | {ordered[0]} | {middle} | {ordered[-1]} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--types", type=int, default=60)
    parser.add_argument("--cells", type=int, default=300)
    parser.add_argument("--records", type=int, default=20)
    parser.add_argument("--seed", type=int, default=20260302)
    parser.add_argument("--out", type=Path, default=HERE / "diagnosis_table.md")
    asked = parser.parse_args()
    results = run(asked.seed, asked.types, asked.cells, asked.records)
    asked.out.write_text(table(results, asked.seed), encoding="utf-8")


if __name__ == "__main__":
    main()
