"""Cells whose true values are known, read through the circuit and judged by every rule.

python -m tests.campaigns.conformity [--types N] [--cells N] [--seed N] [--out FILE]

Each cell meets a bench of its own: the errors of its meters are drawn within their specification
and stay what they are while that cell is read. Readings, uncertainty and statement are those of
`acq.readings`, as in a run. What a rule risks is what it states: see `RISK_OF_A_PASS`.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

import numpy as np

from acq.analysis.leads import INPUT, OUTPUT
from acq.analysis.network import Floats
from acq.readings.conformity import Conformity, judge
from acq.readings.measured import Bound, Measured
from acq.readings.population import DecisionPlan, Population, risks
from acq.readings.reading import Limitation, Reading
from acq.readings.rules import Limit, Rule, RuleName
from acq.readings.specification import UNITS, Accuracy
from acq.readings.uncertainty import Uncertainties, expanded
from tests.campaigns import drawn_cells
from tests.campaigns.drawn_cells import (
    Drawn,
    draw,
    draw_types,
    true_insulation,
    true_pairs,
    true_zero,
)
from tests.campaigns.drawn_faults import possible, spoil
from tests.campaigns.revision import revision

TABLE = Path(__file__).with_name("conformity_table.md")
RULES = (
    RuleName.SIMPLE_ACCEPTANCE,
    RuleName.GUARDED_ACCEPTANCE,
    RuleName.GUARDED_REJECTION,
    RuleName.FOUR_STATEMENTS,
)
RISK_OF_A_PASS = {
    RuleName.SIMPLE_ACCEPTANCE: 0.5,
    RuleName.GUARDED_ACCEPTANCE: 0.025,
    RuleName.GUARDED_REJECTION: 0.975,
    RuleName.FOUR_STATEMENTS: 0.025,
}
"""The most that a cell out of tolerance can be called *pass*, with w = U at 95 %: a true value on
the limit reads inside by more than 0, U, -U (ILAC-G8:09/2019, 4.2; JCGM 106:2012, 7 and 9.4)."""
RISK_OF_A_CONDITIONAL_PASS = 0.5
SHARES: tuple[float | None, ...] = (None, 1.0 / 3.0)
TOLERANCE = 1.3  # standard deviations of sound cells: about a fifth are out
READINGS = 5
VOLTS = 9.5  # excitation
TESTER_OHMS = 5e10
TRIALS = 100_000

_clock = count(1_000_000_000, 400_000_000)


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement about one cell; `inside` is the true margin, negative out of tolerance."""

    check: str
    rule: RuleName
    share: float | None
    inside: float
    U: float
    word: Conformity
    risk: float | None
    sound: bool


@dataclass(frozen=True, slots=True)
class Foretold:
    """What `bridgebench risk` says of one type: consumer's risk, and the cells it is about."""

    check: str
    rule: RuleName
    cells: int
    consumers: float


@dataclass(slots=True)
class Results:
    statements: list[Statement]
    foretold: list[Foretold]
    cells: int = 0


@dataclass(frozen=True, slots=True)
class Meter:
    """A bench of the grade `factor`, with the errors that it has for one cell."""

    factor: float
    rng: np.random.Generator
    errors: dict[tuple[str, float | None], tuple[float, float]]

    @classmethod
    def of(cls, rng: np.random.Generator, factor: float) -> Meter:
        return cls(factor, rng, {})

    @property
    def accuracies(self) -> dict[str, tuple[Accuracy, ...]]:
        """Figures of the trade's 6.5-digit class, from memory, times the grade."""
        f = self.factor
        ohms = tuple(
            Accuracy(quantity="resistance", range=x, reading_ppm=80.0 * f, range_ppm=25.0 * f)
            for x in (1e3, 1e4, 1e8)
        )
        volts = (
            Accuracy(quantity="dc-voltage", range=0.1, reading_ppm=50.0 * f, range_ppm=35.0 * f),
            Accuracy(quantity="dc-voltage", range=10.0, reading_ppm=35.0 * f, range_ppm=5.0 * f),
        )
        tester = Accuracy(quantity="insulation-resistance", reading_ppm=1e5)
        return {"dmm": (*ohms, *volts), "insulation": (tester,)}

    def readings(self, role: str, quantity: str, value: float) -> list[Reading]:
        """Return what is read of a true value; the errors of a range are kept."""
        entries = [x for x in self.accuracies[role] if x.quantity == quantity]
        entry = next(x for x in entries if x.range is None or abs(value) <= x.range)
        key = (quantity, entry.range)
        if key not in self.errors:
            gain, offset = self.rng.uniform(-1.0, 1.0, 2)
            self.errors[key] = gain * entry.gain_limit, offset * entry.offset_limit
        gain, offset = self.errors[key]
        limit = entry.gain_limit * abs(value) + entry.offset_limit
        # what the meter shows is off against what is true
        shown = value * (1.0 + gain) + offset + 0.3 * limit * self.rng.normal(size=READINGS)
        return [self._reading(role, quantity, float(x), entry.range) for x in shown]

    def _reading(self, role: str, quantity: str, value: float, range_: float | None) -> Reading:
        started = next(_clock)
        limit: Limitation | None = None
        if role == "insulation" and value > TESTER_OHMS:
            value, limit = TESTER_OHMS, "above"
        return Reading(
            quantity=quantity,
            value=value,
            limit=limit,
            unit=UNITS[quantity],
            instrument=role,
            range_=range_,
            plc=10.0,
            started_ns=started,
            ended_ns=started + 200_000_000,
            raw=repr(value),
        )


def run(seed: int, types: int, cells: int) -> Results:
    """Draw types with `cells` cells each, a third of them with one fault of any size."""
    rng = np.random.default_rng(seed)
    results = Results([], [])
    for of in draw_types(rng, types):
        sound = draw(rng, of, 400, drawn_cells.POPULATION)
        limits = _limits(sound)
        drawn = draw(rng, of, cells, drawn_cells.POPULATION)
        for cell in range(cells // 3):
            faults = possible(drawn)
            spoil(rng, drawn, cell, faults[rng.integers(len(faults))])
        factor = float(np.exp(rng.uniform(0.0, np.log(80.0))))
        truth = true_values(drawn)
        results.cells += cells
        first = len(results.statements)
        for cell in range(cells):
            meter = Meter.of(rng, factor)
            values = {name: float(each[cell]) for name, each in truth.items()}
            results.statements += _judged(meter, limits, values, sound=cell >= cells // 3)
        results.foretold += _foretold(results.statements[first:], limits, sound)
    return results


def true_values(drawn: Drawn) -> dict[str, Floats]:
    """Return what is true of each cell as it lies there, by check."""
    pairs = true_pairs(drawn, (INPUT, OUTPUT))
    return {
        "input resistance": pairs[:, 0],
        "output resistance": pairs[:, 1],
        "zero balance": true_zero(drawn),
        "insulation resistance": true_insulation(drawn)[:, 0],
    }


def _limits(sound: Drawn) -> dict[str, Limit]:
    """Return tolerances that leave about a fifth of the sound cells outside."""
    limits = {}
    for name, values in true_values(sound).items():
        unit = "V/V" if name == "zero balance" else "ohm"
        if name == "insulation resistance":
            limits[name] = Limit(float(np.quantile(values, 0.2)), None, unit, "drawn")
            continue
        middle, half = float(values.mean()), TOLERANCE * float(values.std())
        limits[name] = Limit(middle - half, middle + half, unit, "drawn")
    return limits


def _judged(
    meter: Meter, limits: dict[str, Limit], truth: dict[str, float], *, sound: bool
) -> Iterator[Statement]:
    bench = Uncertainties(meter.accuracies)
    for name, value in truth.items():
        measured = _measured(bench, meter, name, value)
        if measured is None:
            continue
        limit = limits[name]
        U = expanded(measured).U
        for rule in RULES:
            for share in SHARES:
                told = judge(measured, limit, Rule(rule), share)
                yield Statement(
                    name,
                    rule,
                    share,
                    limit.margin(value),
                    U,
                    told.conformity,
                    told.specific_risk,
                    sound and not isinstance(measured, Bound),
                )


def _measured(bench: Uncertainties, meter: Meter, name: str, value: float) -> Measured | None:
    """Return a check's result as a run computes it; None where there is nothing to read."""
    if not np.isfinite(value) or (name.endswith("put resistance") and value > 1e7):
        return None
    if name == "zero balance":
        if abs(value) > 0.009:  # beyond the range of the millivolts
            return None
        signal = meter.readings("dmm", "dc-voltage", value * VOLTS)
        return bench.mean_ratio(signal, meter.readings("dmm", "dc-voltage", VOLTS))
    if name == "insulation resistance":
        return bench.mean(meter.readings("insulation", "insulation-resistance", value))
    return bench.mean(meter.readings("dmm", "resistance", value))


def _foretold(
    statements: Sequence[Statement], limits: dict[str, Limit], sound: Drawn
) -> Iterator[Foretold]:
    """Return what the risk calculation says of the sound cells of one type."""
    truth = true_values(sound)
    for name in ("input resistance", "output resistance", "zero balance"):
        population = Population(mean=float(truth[name].mean()), deviation=float(truth[name].std()))
        for rule in RULES:
            mine = [
                x
                for x in statements
                if x.check == name and x.rule is rule and x.share is None and x.sound
            ]
            U = float(np.median([x.U for x in mine]))
            plan = DecisionPlan(limit=limits[name], U=U, rule=Rule(rule), k=2.0, share=None)
            found = risks(plan, population, TRIALS, seed=1)
            yield Foretold(name, rule, len(mine), found.consumers)


def table(results: Results, seed: int) -> str:
    """Return the table as markdown."""
    return "\n".join(
        [*_head(results, seed), *_outside(results), *_specific(results), *_global(results), ""]
    )


def _head(results: Results, seed: int) -> Iterator[str]:
    yield "# Cells out of tolerance that are called pass"
    yield ""
    drawn = f"Drawn {datetime.now(UTC):%Y-%m-%d}, seed {seed}, at {revision()}"
    yield f"{drawn}: {results.cells} cells,"
    yield "a third with one fault of any size. Written by `python -m tests.campaigns.conformity`;"
    yield "how cells, benches and tolerances are drawn, the head of that file says. Shares are with"
    yield "two standard errors. w = U at 95 %."
    yield ""


def _outside(results: Results) -> Iterator[str]:
    yield "## Of the cells that are out of tolerance, how many pass?"
    yield ""
    yield 'The rule\'s risk is that of a true value on the limit; "near" is out by less than U.'
    yield ""
    yield "| rule | decided for | out | called pass | near | called pass | the rule's risk |"
    yield "|---|---|---|---|---|---|---|"
    for rule in RULES:
        for share in SHARES:
            out = [
                x
                for x in results.statements
                if x.rule is rule and x.share == share and x.inside < 0.0
            ]
            near = [x for x in out if -x.inside < x.U]
            decides = "any U" if share is None else f"U up to {share:.2f}"
            yield _row(f"{rule}", decides, out, near, Conformity.PASS, RISK_OF_A_PASS[rule])
            if rule is RuleName.FOUR_STATEMENTS:
                risk = RISK_OF_A_CONDITIONAL_PASS
                name = "the same: conditional pass"
                yield _row(name, decides, out, near, Conformity.CONDITIONAL_PASS, risk)
    yield ""


def _row(
    name: str,
    decides: str,
    out: Sequence[Statement],
    near: Sequence[Statement],
    word: Conformity,
    risk: float,
) -> str:
    of_out, of_near = (percent([x.word is word for x in some]) for some in (out, near))
    cells = (name, decides, len(out), of_out, len(near), of_near, f"{100.0 * risk:g} %")
    return f"| {' | '.join(map(str, cells))} |"


def _specific(results: Results) -> Iterator[str]:
    yield "## Of the cells that pass, how many are out of tolerance, and what each statement said"
    yield ""
    yield "| check | rule | passed | out of tolerance | specific risk stated, mean |"
    yield "|---|---|---|---|---|"
    for check in dict.fromkeys(x.check for x in results.statements):
        for rule in RULES:
            passed = passes(results.statements, check, rule)
            risk = float(np.mean([x.risk or 0.0 for x in passed])) if passed else 0.0
            wrong = [x.inside < 0.0 for x in passed]
            yield f"| {check} | {rule} | {len(passed)} | {percent(wrong)} | {100.0 * risk:.3f} % |"
    yield ""


def _global(results: Results) -> Iterator[str]:
    yield "## Sound cells accepted and out of tolerance, of all sound cells: consumer's risk"
    yield ""
    yield "Foretold by `bridgebench risk` for each type: its population is normal, with the mean"
    yield "and the standard deviation of 400 drawn cells, and U is the median of its results."
    yield ""
    yield "| check | rule | sound cells | accepted and out | foretold |"
    yield "|---|---|---|---|---|"
    for check in dict.fromkeys(x.check for x in results.foretold):
        for rule in RULES:
            mine = accepted_and_out(results.statements, check, rule)
            said = f"{100.0 * foretold(results, check, rule):.3f} %"
            yield f"| {check} | {rule} | {len(mine)} | {percent(mine)} | {said} |"
    yield ""


def passes(statements: Sequence[Statement], check: str, rule: RuleName) -> list[Statement]:
    return [
        x
        for x in statements
        if x.check == check
        and x.rule is rule
        and x.share is None
        and x.word is Conformity.PASS
        and x.risk is not None
    ]


def accepted_and_out(statements: Sequence[Statement], check: str, rule: RuleName) -> list[bool]:
    return [
        x.word.accepted and x.inside < 0.0
        for x in statements
        if x.check == check and x.rule is rule and x.share is None and x.sound
    ]


def foretold(results: Results, check: str, rule: RuleName) -> float:
    mine = [x for x in results.foretold if x.check == check and x.rule is rule]
    return sum(x.cells * x.consumers for x in mine) / sum(x.cells for x in mine)


def percent(hits: Sequence[bool]) -> str:
    if not hits:
        return "none"
    share = float(np.mean(hits))
    error = np.sqrt(max(share * (1.0 - share), 1.0 / len(hits)) / len(hits))
    return f"{100.0 * share:.2f} ± {200.0 * error:.2f} %"


def main() -> None:
    """Draw, read, judge, write the table."""
    parser = argparse.ArgumentParser(description="Judge drawn cells by every rule.")
    parser.add_argument("--types", type=int, default=60)
    parser.add_argument("--cells", type=int, default=200, help="of each type")
    parser.add_argument("--seed", type=int, default=20260302)
    parser.add_argument("--out", type=Path, default=TABLE)
    asked = parser.parse_args()
    results = run(asked.seed, asked.types, asked.cells)
    asked.out.write_text(table(results, asked.seed), encoding="utf-8")


if __name__ == "__main__":
    main()
