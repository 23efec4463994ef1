"""Load results beside earlier ones: cells of one set, and the same cell at another temperature."""

from __future__ import annotations

import math
from typing import Any

from acq.analysis.propagation import Result
from acq.readings.corrections import RECTANGULAR
from acq.readings.rules import Limit
from acq.runs.findings import withheld
from acq.runs.run import Run
from sequences.load_plan import LoadSeriesPlan
from sequences.series import Measured

SET_FINDING = "rated outputs within the set"
_MOST = 20  # earlier runs that are looked at
_COMMON = (" gain", " offset", " linearity", "load:")


def matched_set(run: Run[LoadSeriesPlan], measured: Measured) -> None:
    """Cells that carry one platform together are judged together: their outputs must agree.

    The newest rated output of each other cell of the set on this bench; until all of them were
    measured the finding is withheld, and says who is missing.
    """
    plan = run.plan.matched_set
    if plan is None or measured.found is None:
        return
    with run.check("matched set") as check:
        own = measured.found.rated_output
        outputs: dict[str, float] = {}
        for serial in plan.serials:
            if serial == run.cell.serial:
                outputs[serial] = own.value
            elif earlier := check.earlier("rated output", 1, serial):
                outputs[serial] = earlier[-1].value
        missing = [serial for serial in plan.serials if serial not in outputs]
        if missing:
            because = f"not measured yet on this bench: {', '.join(missing)}"
            check.add(withheld(SET_FINDING, check.name, "spread of outputs", "1", because))
            return
        mean = sum(outputs.values()) / len(outputs)
        apart = (max(outputs.values()) - min(outputs.values())) / abs(mean)
        # one bench, one set of weights: what they share cancels, the scatter of each remains
        u = 2.0**0.5 * own_part(own) / abs(mean)
        spread: Any = apart + run.uncertainties.fresh("scatter of two cells", u)
        told = ", ".join(f"{serial} {1e3 * value:.5f}" for serial, value in outputs.items())
        check.finding(
            SET_FINDING,
            "spread of outputs",
            "1",
            spread,
            [Limit(None, plan.output_percent / 100.0, "1", plan.source)],
            rule=run.plan.load.rule,
            share=run.plan.load.largest_uncertainty_share,
            marks=[f"mV/V: {told}"],
        )


def own_part(result: Result) -> float:
    """Return what two runs on one bench with one set of weights do not share, standard.

    Gain, offset and linearity of the meter and the weights are the same in both and cancel.
    """
    parts = () if result.uncertainty is None else result.uncertainty.budget
    own = [
        part.standard_uncertainty
        for part in parts
        if not any(word in part.name for word in _COMMON)
    ]
    return math.sqrt(sum(each**2 for each in own))


def temperature_effects(run: Run[LoadSeriesPlan], measured: Measured) -> None:
    """Zero and span per 10 K against the newest earlier run at a temperature far enough away."""
    now, found = measured.temperature, measured.found
    if now is None or found is None:
        return
    plan = run.plan.temperatures
    with run.check("temperature effect") as check:
        past = {
            name: {each.run: each.value for each in check.earlier(name, _MOST)}
            for name in ("room temperature", "zero at the rig", "rated output")
        }
        rooms = past["room temperature"]
        apart = [
            number
            for number, celsius in rooms.items()
            if abs(celsius - now) >= plan.apart_kelvins
            and number in past["zero at the rig"]
            and number in past["rated output"]
        ]
        if not apart:
            return
        before, rated = apart[-1], found.rated_output.value
        kelvins = now - rooms[before]
        span = rated / past["rated output"][before] - 1.0
        zero = (found.zero_balance.value - past["zero at the rig"][before]) / rated
        sheet = run.cell.data_sheet
        for name, change, result, allowed in (
            ("temperature effect on zero", zero, found.zero_balance, sheet.temperature_effect_zero),
            ("temperature effect on span", span, found.rated_output, sheet.temperature_effect_span),
        ):
            u = 2.0**0.5 * own_part(result) / rated
            per_kelvin: Any = (change + run.uncertainties.fresh(f"{name}: both runs", u)) / (
                kelvins + run.uncertainties.fresh("thermometer", 0.2 / RECTANGULAR)
            )
            limits = []
            if allowed is not None:
                source = f"{sheet.name}: {name}, as 10 K"
                limits = [Limit(-abs(allowed) * 10.0, abs(allowed) * 10.0, "1", source)]
            check.finding(
                f"{name}, per 10 K",
                name,
                "1",
                per_kelvin * 10.0,
                limits,
                rule=run.plan.load.rule,
                share=run.plan.load.largest_uncertainty_share,
                marks=[
                    f"against run {before} at {rooms[before]:.1f} degC ({plan.source}); what both"
                    " runs have in common cancels"
                ],
            )
