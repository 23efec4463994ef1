"""Insulation between the bridges of one body."""

from __future__ import annotations

from itertools import combinations

from acq.analysis.leads import Lead
from acq.cells.limits import Limits
from acq.runs.prompts import CLIP_CAUTION, Prompt
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan
from sequences.diagnosis import Seen
from sequences.insulation_paths import QUANTITY, Path, all_leads, apart, tested


def between_bridges(run: Run[AcceptancePlan], limits: Limits) -> None:
    """Each bridge, all its leads joined, against each other one, instead of against the housing."""
    tester_wrong = ""
    for one, other in combinations(range(1, run.cell.data_sheet.bridges + 1), 2):
        name = f"bridge {one} to bridge {other}"
        if objection := run.cell.insulation_objection or tester_wrong:
            because = f"no insulation test: {objection}"
            run.withhold(f"insulation {name}", QUANTITY, "ohm", because)
            continue
        with run.check("bridges clipped", name) as check:
            check.ask(
                Prompt(
                    text=f"Put the leads of bridge {one} on the bench's lead terminals, and all"
                    f" leads of bridge {other}, joined, where the housing was.",
                    caution=CLIP_CAUTION,
                    bridge={"on": one, "joined": other},
                )
            )
        path = Path(name, all_leads(run), (Lead.HOUSING,))
        seen = Seen()
        if apart(run, limits, seen, path):
            tested(run, limits, seen, path, clipped_by_hand=not run.relays)
            tester_wrong = seen.tester_wrong
