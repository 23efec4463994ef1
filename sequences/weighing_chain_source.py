"""The source of a visit, by its link or by a person's hand: what it fed, and how well."""

from __future__ import annotations

from typing import Any

from acq.analysis.chain import FULL_SCALE, SPAN
from acq.bench.connections import Connection
from acq.cells import paper_units as units
from acq.cells.chain_file import Accuracy
from acq.readings.measured import Uncertain, is_number
from acq.readings.reading import Reading
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from sequences.weighing_chain_meters import milliamps
from sequences.weighing_chain_work import Work, typed_number

NEAR_VOLTS, NEAR_AMPS = 1e-3, 5e-5  # further from what was asked a typed value is asked again


def linked(work: Work) -> bool:
    """Whether the bench has a source that this run can set; else a person does."""
    entry: dict[str, Any] = (
        work.run.journal.lines[0].content["bench"]["instruments"].get("source", {})
    )
    return bool(entry) and not entry.get("by_hand")


def feed_volts(work: Work, check: Check, wanted: float, level: float, at: Connection) -> Uncertain:
    """Feed volts; return them with the source's uncertainty. `level` is the excitation, V."""
    if linked(work):
        limit = work.plan.limits.current_when_feeding_volts_ma * 1e-3
        return _fed(work, _feed(work, check, "dc-voltage", wanted, limit, at))
    text = f"Set your source to {wanted * 1e3:.5f} mV, output on; type what it shows, mV"
    near = (wanted - NEAR_VOLTS, wanted + NEAR_VOLTS)
    shown = typed_number(check, text, units.VOLTS, "mV", f"{wanted * 1e3:.5f} mV", plausible=near)
    value = wanted if shown is None else shown
    return _by_hand(work, value, work.visit.file.instruments.fed_ratio, units.RATIO, level)


def feed_amps(work: Work, check: Check, kind: str, milliamps_: float, at: Connection) -> Uncertain:
    """Feed a current as a source or as a sink; return it with the source's uncertainty."""
    amps = milliamps_ * 1e-3
    if linked(work):
        limit = work.plan.limits.voltage_when_feeding_current
        return _fed(work, _feed(work, check, kind, amps, limit, at))
    how = "sink (2-wire simulation)" if kind.endswith("sink") else "source"
    text = f"Set your source to {how} {milliamps_:.3f} mA, output on; type what it shows, mA"
    shown = typed_number(check, text, units.AMPERES, "mA", f"{milliamps_:.3f} mA",
                         plausible=(amps - NEAR_AMPS, amps + NEAR_AMPS))  # fmt: skip
    value = amps if shown is None else shown
    return _by_hand(work, value, work.visit.file.instruments.fed_current, units.AMPERES, 1.0)


def _by_hand(
    work: Work, value: float, paper: Accuracy, unit: units.Dimension, scale: float
) -> Uncertain:
    """What a source by hand shows, as good as the chain's file says (of 1 V of `scale` volts)."""
    gain = work.run.uncertainties.shared(
        "gain of the source by hand", 0.5 * (paper.of_reading or 0.0)
    )
    constant = paper.standard(0.0, unit) * scale
    offset = work.run.uncertainties.fresh("constant of the source by hand", constant)
    fed: Uncertain = gain * value + offset + value
    return fed


def _fed(work: Work, reading: Reading) -> Uncertain:
    fed = work.run.uncertainties.of(reading)
    assert is_number(fed)
    return fed


def _feed(
    work: Work, check: Check, kind: str, value: float, limit: float, at: Connection
) -> Reading:
    ask = {"at": at.name, "kind": kind, "value": value, "limit": limit}
    got = check.effect("feed", ask, lambda: work.run.bench.feed(kind, value, limit, at).to_json())
    return Reading.from_json(got)


def off(work: Work, check: Check) -> None:
    """Switch the source off and prove it, or have a person do so."""
    if linked(work):
        check.effect("feed", "off", work.run.bench.stop_feeding)
    else:
        check.ask(Prompt(text="Switch your source OFF and take it off."))


def fit_for_it(work: Work, found: Uncertain | None) -> str:
    """Say the source's U, alone and with the meter on mA, against what is allowed.

    `found` is the excitation as it was measured; the papers' own until then.
    """
    chain, allowed = work.chain, work.chain.tolerances.transmitter
    top, span = chain.transmitter.ratio_at_20, abs(chain.span_ratio)
    size = work.chain.terminal_volts if found is None else found.x
    volts, level = top * size, size if found is None else found
    if linked(work):
        fed = _fed(work, _planned("source", "dc-voltage", volts))
    else:
        paper = work.visit.file.instruments.fed_ratio
        fed = _by_hand(work, volts, paper, units.RATIO, size)
    source: Uncertain = fed / level
    meter = _fed(work, _planned("dmm", "dc-current", FULL_SCALE, milliamps(work).range_))
    alone = 2.0 * source.u / span
    whole = (alone**2 + (2.0 * meter.u / SPAN) ** 2) ** 0.5
    fit = whole <= work.plan.limits.fit_share * allowed.value
    said = "fit for it" if fit else "coarse: near a limit it cannot decide"
    if whole > allowed.value:
        said = "too coarse: it decides nothing here"
    return (
        f"The source: U = {alone:.3%} of span at {top * 1e3:.4g} mV/V, with the meter on mA"
        f" {whole:.3%}; allowed are {allowed.value:.3%} ({allowed.source}): {said}"
    )


def _planned(role: str, quantity: str, value: float, range_: float | None = None) -> Reading:
    """A reading that is not yet taken, for its uncertainty."""
    unit = "V" if quantity == "dc-voltage" else "A"
    return Reading(
        quantity=quantity, value=value, limit=None, unit=unit, instrument=role, range_=range_,
        plc=None, started_ns=0, ended_ns=0, raw="planned", settings={},
    )  # fmt: skip
