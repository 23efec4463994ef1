"""How often the right block of a weighing chain is named: many drawn chains, one table.

python -m tests.campaigns.chain_isolation            writes tests/campaigns/chain_table.md
python -m tests.campaigns.chain_isolation --chains 3 --sound 10    a short look
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from acq.analysis.chain_isolation import CONFIDENT, Isolation, isolate
from acq.analysis.chain_papers import Block, ChainReadings, Kind
from tests.campaigns.chain_faults import LIMITS, break_one
from tests.campaigns.drawn_chains import TOLERANCES, Drawn, Rng, draw_sound, read

TABLE = Path(__file__).parent / "chain_table.md"

# what a technician may have left out, as whole pieces of work
GROUPS: tuple[frozenset[Kind], ...] = (
    frozenset({Kind.FED_CURRENT_SHOWN}),
    frozenset({Kind.SENT, Kind.RECEIVED}),
    frozenset({Kind.FED_TERMINALS_SENT}),
    frozenset({Kind.FED_BOX_SENT}),
    frozenset({Kind.BOX_SHARE, Kind.SENSE, Kind.CELL_SHARE, Kind.EXCITATION}),
    frozenset({Kind.CELL_RATIO}),
    frozenset({Kind.BOX_ALONE}),
    frozenset({Kind.TERMINAL_RATIO}),
    frozenset({Kind.INPUT_OHMS, Kind.OUTPUT_OHMS}),
)


@dataclass
class Score:
    """Counts of one campaign."""

    answers: Counter[tuple[str, str]] = field(default_factory=Counter)
    probability: list[float] = field(default_factory=list)
    right: list[bool] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    listed: Counter[str] = field(default_factory=Counter)

    def add(self, drawn: Drawn, found: Isolation) -> None:
        """Count one chain."""
        truth = drawn.block.value if drawn.block else "none-found"
        named = found.named
        answer = named.block.value if named else found.answer.value
        self.answers[truth, answer] += 1
        if named is not None:
            self.probability.append(named.probability)
            self.right.append(answer == truth)
        if answer != truth:
            self.missed.append(f"{truth}: {drawn.fault} -> {answer}")
        left = [s.block for s in found.suspects if s.probability >= 0.02]
        self.listed[truth] += answer == truth or drawn.block in left

    def of(self, truth: str) -> int:
        """Chains of one kind."""
        return sum(count for (known, _), count in self.answers.items() if known == truth)

    def hits(self, truth: str) -> int:
        """Chains of one kind with the right answer."""
        return self.answers[truth, truth]

    def wrong(self, truth: str) -> int:
        """Chains of one kind where another block was named."""
        blocks = {block.value for block in Block}
        return sum(
            count
            for (known, answer), count in self.answers.items()
            if known == truth and answer != truth and answer in blocks
        )


def run(per_block: int, sound: int, seed: int, *, part: bool = False) -> Score:
    """Draw, read and judge chains; `part` leaves out some pieces of work at random."""
    score = Score()
    plan: list[Block | None] = [block for block in Block for _ in range(per_block)]
    plan += [None] * sound
    for number, block in enumerate(plan):
        rng = np.random.default_rng([seed, number])
        drawn = draw_sound(rng)
        if block is not None:
            break_one(drawn, rng, block)
        readings = read(drawn, rng)
        if part:
            readings = _leave_out(readings, rng)
        score.add(drawn, isolate(drawn.chain, readings))
    return score


def _leave_out(readings: ChainReadings, rng: Rng) -> ChainReadings:
    gone: set[Kind] = set()
    for group in GROUPS:
        if rng.random() < 0.35:
            gone |= group
    corners = rng.random() < 0.35
    loaded = rng.random() < 0.35
    rows = tuple(
        row
        for row in readings.rows
        if row.kind not in gone
        and not (corners and row.state is not None and row.state.startswith("corner"))
        and not (loaded and row.state == "loaded")
    )
    used = {row.state for row in rows}
    states = {name: state for name, state in readings.states.items() if name in used}
    return ChainReadings(states=states, rows=rows)


def table(whole: Score, part: Score, command: str, seed: int) -> str:
    """Return the campaign's table."""
    blocks = [block.value for block in Block]
    total = sum(whole.of(block) for block in blocks)
    hits = sum(whole.hits(block) for block in blocks)
    sound, alarms = whole.of("none-found"), whole.wrong("none-found")
    lines = [
        "# Which block of a weighing chain is at fault",
        "",
        f"Written by `{command}` (seed {seed}) on {datetime.now(UTC):%Y-%m-%d}.",
        "Invented chains: 3, 4 or 6 cells of 350, 700 or 1000 ohm, home run with or without sense,",
        "one fault or none; readings from the simulated bench's general circuit with the errors",
        "of the instruments. Sound blocks lie inside their tolerances (normal, a third of the",
        "tolerance as deviation, cut at the tolerance).",
        f"A block is named from probability {CONFIDENT} on.",
        "",
        f"* Right block above the detection limits: **{hits} of {total} = {hits / total:.2%}**.",
        f"* False alarms on sound chains: **{alarms} of {sound} = {alarms / max(sound, 1):.2%}**.",
        f"* {_calibration(whole)}",
        "",
        "| block | chains | right | another block named | no block named | detection limit |",
        "|---|---|---|---|---|---|",
    ]
    for block in blocks:
        count, right, wrong = whole.of(block), whole.hits(block), whole.wrong(block)
        lines.append(
            f"| {block} | {count} | {right / count:.2%} | {wrong} | {count - right - wrong} |"
            f" {LIMITS[block]} |"
        )
    lines.append(
        f"| none | {sound} | {whole.hits('none-found') / max(sound, 1):.2%} | {alarms} |"
        f" {sound - alarms - whole.hits('none-found')} | |"
    )
    lines += ["", "## Answers that were not right", ""]
    lines += [f"* {text}" for text in whole.missed] or ["None."]
    lines += _partly(part, blocks)
    lines += ["", "## Tolerances of the drawn chains", ""]
    for name in type(TOLERANCES).__slots__:
        lines.append(f"* {name}: {getattr(TOLERANCES, name).value:g}")
    return "\n".join(lines) + "\n"


def _partly(part: Score, blocks: list[str]) -> list[str]:
    count = sum(part.of(block) for block in blocks)
    if not count:
        return []
    hits = sum(part.hits(block) for block in blocks)
    wrong = sum(part.wrong(block) for block in blocks)
    listed = sum(part.listed[block] for block in blocks)
    alarms, sound = part.wrong("none-found"), part.of("none-found")
    return [
        "",
        "## Partly measured chains",
        "",
        f"Each of {len(GROUPS) + 2} pieces of work left out with probability 0.35. Of {count}"
        f" faulty chains the right block was named in {hits / count:.1%}, another block in"
        f" {wrong / count:.1%}; in {listed / count:.1%} it was named or among those listed with 2 %"
        f" or more. False alarms: {alarms} of {sound}. {_calibration(part)}",
    ]


def _calibration(score: Score) -> str:
    if not score.right:
        return "No block was named."
    said = sum(score.probability) / len(score.probability)
    was = sum(score.right) / len(score.right)
    return f"Where a block was named its mean probability was {said:.4f}; right were {was:.4f}."


def main() -> None:
    """Run the campaign and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chains", type=int, default=300, help="per block")
    parser.add_argument("--sound", type=int, default=1000)
    parser.add_argument("--part", type=int, default=60, help="partly measured, per block")
    parser.add_argument("--seed", type=int, default=20260302)
    given = parser.parse_args()
    whole = run(given.chains, given.sound, given.seed)
    part = run(given.part, given.part, given.seed + 1, part=True)
    TABLE.write_text(table(whole, part, "python -m tests.campaigns.chain_isolation", given.seed))


if __name__ == "__main__":
    main()
