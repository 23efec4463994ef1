"""Soak by criterion: the input resistance of a cell at room temperature stands still."""

from __future__ import annotations

from acq.analysis.leads import INPUT
from acq.readings.reading import Reading
from acq.readings.settling import Settling, Stability, StableCriterion
from acq.runs.check import Check
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan, Soak
from sequences.clips import one_clip_on
from sequences.diagnosis import Seen
from sequences.ohms import expected_ohms, requests

SCATTERING_WINDOWS = 3  # a reading that jumps is no question of temperature: no long wait


def soak(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Wait until the resistance stands still; else the run goes on and judges nothing by it."""
    plan = run.plan.soak
    if plan is None:
        return
    with run.connected(one_clip_on(seen, INPUT)), run.check("soak") as check:
        state, because = _watch(run, check, plan)
        tell(run, check, plan, seen, state, because)


def tell(
    run: Run[AcceptancePlan],
    check: Check,
    plan: Soak,
    seen: Seen,
    state: Stability | None,
    because: str,
) -> None:
    """Keep what came of a soak; `because` is why the newest state is not good enough."""
    if state is None:
        check.withhold("Ex+ Ex- is open: whether the cell is soaked is not known")
        return
    drift = abs(state.slope) * plan.window_s
    allowed = plan.drift_share * expected_ohms(run.cell, INPUT)
    if not because:
        seen.of_limit["zero drift"] = drift / allowed
        return
    if state.spread > criterion(run, plan).spread:
        spread = f"jumps over {state.spread:.3g} ohm in {plan.window_s:g} s"
        seen.unsteady = f"unsteady: Ex+ Ex- {spread} ({plan.source})"
    else:
        seen.of_limit["zero drift"] = max(1.5, drift / allowed)
        seen.unsoaked = True
        seen.unsteady = f"not soaked: Ex+ Ex- {because} ({plan.source})"
    check.withhold(seen.unsteady)


def _watch(run: Run[AcceptancePlan], check: Check, plan: Soak) -> tuple[Stability | None, str]:
    """Return the newest state, and why it is not good enough; "" when it is."""
    settling = Settling(criterion(run, plan))
    request = requests(run, expected_ohms(run.cell, INPUT))[0]
    began: float | None = None
    while True:
        reading: Reading = check.read(request)
        if reading.value is None or not reading.is_number:
            return None, ""
        seconds = reading.ended_ns / 1e9
        began = seconds if began is None else began
        state = settling.add(seconds, reading.value, reading.raw)
        if state.stable:
            return state, ""
        if because := too_long(run, plan, state, seconds - began):
            return state, because
        check.wait(plan.every_s, f"soak: Ex+ Ex- {_shown(state)}")


def too_long(run: Run[AcceptancePlan], plan: Soak, state: Stability, passed_s: float) -> str:
    """Return why no more time is given; empty while there is some left."""
    most = plan.at_most_s
    if state.spread > criterion(run, plan).spread:
        most = min(most, SCATTERING_WINDOWS * plan.window_s)
    return f"{state.because} after {passed_s / 60:.0f} min" if passed_s > most else ""


def _shown(state: Stability) -> str:
    """The reason on the screen, the same words for as long as nothing changes."""
    return "is watched" if state.state == "too few" else f"is still {state.state}"


def criterion(run: Run[AcceptancePlan], plan: Soak) -> StableCriterion:
    """What standing still means for the cell whose turn it is."""
    expected = expected_ohms(run.cell, INPUT)
    return StableCriterion(
        window_s=plan.window_s,
        drift=plan.drift_share * expected,
        spread=plan.spread_share * expected,
    )
