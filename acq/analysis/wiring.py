"""What to clip where, for each test, from a cell, its cable and the instrument.

Colours are only those of this cell's papers, and guesses until ohms agree: there is no colour code
that all makers follow. Nothing here switches anything; the cautions stand where a hand acts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum

from acq.analysis.chain import excitation_share
from acq.analysis.leads import Lead, LeadPair

SENSE_FROM = 0.001  # span effect above which sense is compulsory: common practice, no source
EXCITATION = (Lead.EX_PLUS, Lead.EX_MINUS)
SENSE = (Lead.SE_PLUS, Lead.SE_MINUS)
SIGNAL = (Lead.S_PLUS, Lead.S_MINUS)
GUESS = "guess"


class WiringTest(Enum):
    """The tests that have their own connections."""

    OHMS = "ohms"
    INSULATION = "insulation"
    ZERO = "zero"
    LOAD = "load"


@dataclass(frozen=True, slots=True, kw_only=True)
class WiredCell:
    """What the papers of a cell say about its wiring. Blanks are None.

    `shield` is "connected", "not connected" (to the housing) or "unknown". Objections are the
    reasons of the papers against a test, or None. `evidence` tells for a lead what was measured.
    """

    name: str
    wires: int
    pairs: tuple[LeadPair, ...]
    colours: Mapping[Lead, str]
    colours_from: str
    shield: str
    volts: float
    current_limit: float | None
    insulation_volts: float
    input_ohms: float | None = None
    lead_ohms: float | None = None
    expected: Mapping[LeadPair, str] = field(default_factory=dict)
    bridge_objection: str | None = None
    insulation_objection: str | None = None
    reversal_objection: str | None = None
    evidence: Mapping[Lead, str] = field(default_factory=dict)

    @property
    def leads(self) -> tuple[Lead, ...]:
        """The conductors of the bridge, without shield and housing."""
        return tuple(lead for lead in Lead if any(lead in pair for pair in self.pairs))


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the cell is connected to: 4 wires (no sense) or 6, over a home run or directly.

    `conductor_ohms` is one conductor between instrument and cell cable.
    """

    wires: int = 6
    conductor_ohms: float = 0.0


@dataclass(frozen=True, slots=True)
class Clip:
    """One connection: instrument terminal to lead, with the lead's colour and what backs it."""

    terminal: str
    lead: Lead
    colour: str
    evidence: str

    @property
    def guessed(self) -> bool:
        """Tell whether nothing but a paper says which wire this is."""
        return self.evidence == GUESS


@dataclass(frozen=True, slots=True)
class Situation:
    """Everything that is clipped at one moment. `open_` terminals and leads stay free."""

    title: str
    clips: tuple[Clip, ...]
    notes: tuple[str, ...] = ()
    links: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WiringPlan:
    """The connections of one test in order, and what to mind. No situations: `refused` says why."""

    test: WiringTest
    situations: tuple[Situation, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    refused: str | None = None


def wiring(cell: WiredCell, test: WiringTest, instrument: Instrument | None = None) -> WiringPlan:
    """Return what to clip where. Raises ValueError for a wire count other than 4 or 6."""
    instrument = instrument or Instrument()
    for what, wires in (("cell", cell.wires), ("instrument", instrument.wires)):
        if wires not in (4, 6):
            raise ValueError(f"{what} with {wires} wires: 4 or 6")
    notes = (*_colour_notes(cell), *_cable_notes(cell))
    refused = _objection(cell, test)
    if refused is not None:
        return WiringPlan(test, (), (), notes, refused)
    make = {
        WiringTest.OHMS: _ohms,
        WiringTest.INSULATION: _insulation,
        WiringTest.ZERO: _excited,
        WiringTest.LOAD: _excited,
    }[test]
    return WiringPlan(
        test,
        tuple(make(cell, instrument)),
        tuple(_cautions(cell, test)),
        (*notes, *_run_notes(cell, instrument, test)),
    )


def _objection(cell: WiredCell, test: WiringTest) -> str | None:
    if test is WiringTest.INSULATION:
        return cell.insulation_objection
    return cell.bridge_objection


def _clip(cell: WiredCell, terminal: str, lead: Lead) -> Clip:
    colour = cell.colours.get(lead, "")
    return Clip(terminal, lead, colour, cell.evidence.get(lead, GUESS))


def _ohms(cell: WiredCell, _instrument: Instrument) -> Iterator[Situation]:
    for pair in cell.pairs:
        first, second = pair.one, pair.other
        expected = cell.expected.get(pair, "")
        clips = tuple(
            _clip(cell, terminal, lead)
            for terminal, lead in (
                ("dmm HI", first),
                ("dmm sense HI", first),
                ("dmm LO", second),
                ("dmm sense LO", second),
            )
        )
        notes = (f"expected {expected}",) if expected else ()
        yield Situation(f"resistance {pair}", clips, notes)


def _insulation(cell: WiredCell, _instrument: Instrument) -> Iterator[Situation]:
    joined = tuple(_clip(cell, "insulation +", lead) for lead in cell.leads)
    names = ", ".join(cell.leads)
    link = (f"join {names}: one bare wire round all of them",)
    housing = Clip("insulation -", Lead.HOUSING, "", "bare metal")
    shield = Clip("insulation -", Lead.SHIELD, "", "at the cable end")
    guard = Clip("insulation guard", Lead.SHIELD, "", "at the cable end")
    if cell.shield == "connected":
        both = ("the shield is tied to the housing by design: it stays free, no test across it",)
        yield Situation("leads to housing", (*joined, housing), both, link)
        return
    wait = ("read at 15 s and at 60 s; discharge 5 s before a hand touches a lead",)
    yield Situation("leads to housing, shield on guard", (*joined, housing, guard), wait, link)
    yield Situation("leads to shield", (*joined, shield), wait, link)
    if cell.shield == "not connected":
        plus = Clip("insulation +", Lead.SHIELD, "", "at the cable end")
        yield Situation("shield to housing", (plus, housing), wait)


def _excited(cell: WiredCell, instrument: Instrument) -> Iterator[Situation]:
    terminals = dict(
        zip(("supply +", "supply -", "dmm HI", "dmm LO"), EXCITATION + SIGNAL, strict=True)
    )
    clips = [_clip(cell, terminal, lead) for terminal, lead in terminals.items()]
    links: list[str] = []
    at_cell = SENSE if cell.wires == 6 else EXCITATION
    if instrument.wires == 6:
        for terminal, lead in zip(("supply sense +", "supply sense -"), at_cell, strict=True):
            clips.append(_clip(cell, terminal, lead))
        if cell.wires == 4:
            links.append(
                "link sense + to Ex+ and sense - to Ex- where the cell's own cable begins (in the"
                " box), not at the instrument when a long cable lies between"
            )
    elif cell.wires == 6:
        for lead, partner in zip(SENSE, EXCITATION, strict=True):
            clips.append(_clip(cell, f"supply {'+' if partner is Lead.EX_PLUS else '-'}", lead))
        links.append("join Se+ with Ex+ and Se- with Ex-: no sense at this instrument")
    for terminal, lead in zip(("second dmm HI", "second dmm LO"), at_cell, strict=True):
        clips.append(_clip(cell, terminal, lead))
    clips.append(_shield(cell))
    notes = (
        "the second meter reads the excitation at the cell: the ratio counts, not the millivolts",
    )
    yield Situation("excitation and signal", tuple(clips), notes, tuple(links))


def _shield(cell: WiredCell) -> Clip:
    if cell.shield == "connected":
        return Clip("nothing (left free here)", Lead.SHIELD, "", "tied to the housing at the cell")
    return Clip("earth, at the instrument only", Lead.SHIELD, "", "one end only")


def _cautions(cell: WiredCell, test: WiringTest) -> Iterator[str]:
    limit = (
        "" if cell.current_limit is None else f", current limit {cell.current_limit * 1e3:.0f} mA"
    )
    match test:
        case WiringTest.OHMS:
            yield "Supply off, proven off and disconnected, sense leads included, before any ohms."
        case WiringTest.INSULATION:
            yield (
                f"{cell.insulation_volts:g} V DC at most. Supply, meter, transmitter, barriers and"
                " surge parts disconnected at both ends first. Never between two bridge leads."
            )
            yield (
                "Measure with a meter that more than 1 Mohm lies between the test terminals before"
                " the voltage goes on. Nobody touches a lead while it is on; discharge afterwards."
            )
            yield "None in an explosive atmosphere: local rules and licensed persons decide."
        case _:
            yield (
                f"First at most 1 V{limit}: polarity, voltage at the cell, current; then"
                f" {cell.volts:g} V."
            )
            yield (
                f"Do not reverse the excitation: {cell.reversal_objection}."
                if cell.reversal_objection
                else "Reverse the excitation only by off, proven off, change over, on; the sense"
                " pair goes with its excitation pair."
            )
    if test is WiringTest.LOAD:
        yield (
            "Hung or pressed loads fall: nobody under or beside them, guards closed, hydraulic"
            " pressure let off before hands go in; never beyond the capacity."
        )


def _colour_notes(cell: WiredCell) -> Iterator[str]:
    if not cell.colours:
        yield "the papers of this cell give no colours: find the leads by ohms"
        return
    guessed = [lead for lead in cell.leads if lead not in cell.evidence]
    if guessed:
        names = ", ".join(guessed)
        yield (
            f"colours are those of {cell.colours_from}; a guess until ohms agree: {names}"
            " (the larger of two opposite pairs is usually Ex+ Ex-; the sign shows under load)"
        )
    missing = [lead for lead in cell.leads if lead not in cell.colours]
    if missing:
        yield f"no colour on the papers for {', '.join(missing)}"


def _cable_notes(cell: WiredCell) -> Iterator[str]:
    if cell.wires == 4:
        yield (
            "4-wire cell: never shorten or extend its cable, it is part of the calibration and of"
            " the temperature compensation; coil what is too long near the cell, away from power"
            " cables"
        )
    else:
        yield "6-wire cell: its rated output holds only with sense used; it may be shortened"
    if cell.shield == "connected":
        yield "shield tied to the housing at the cell: leave its other end free, no second earth"
    elif cell.shield == "not connected":
        yield "shield: earth one end, normally at the instrument; through the box unbroken"
    else:
        yield "shield: the papers do not say whether it is tied to the housing; measure before use"
    yield (
        "shield is never a conductor; keep 0.3 to 0.5 m from power cables and cross them at right"
        " angles (common practice)"
    )
    yield (
        "welding near a mounted cell: leads off and insulated, better a dummy in its place, welder"
        " earth beside the seam, a bypass strap over each cell (common practice)"
    )


def _run_notes(cell: WiredCell, instrument: Instrument, test: WiringTest) -> Iterator[str]:
    if test not in (WiringTest.ZERO, WiringTest.LOAD) or cell.input_ohms is None:
        return
    ohms = instrument.conductor_ohms
    if instrument.wires == 4 and cell.wires == 6:
        ohms += (cell.lead_ohms or 0.0) / 2.0  # two conductors joined
        yield "6-wire cell on 4 wires: the joined conductors leave a drop that the sheet lacks"
    if ohms <= 0.0:
        return
    lost = 1.0 - excitation_share([cell.input_ohms], ohms)
    if instrument.wires == 6:
        yield f"without sense this cable would cost {lost:.2%} of span; sense takes it away"
    elif lost > SENSE_FROM:
        yield (
            f"this cable costs {lost:.2%} of span and more when it warms: sense is needed above"
            f" {SENSE_FROM:.1%} (common practice)"
        )
    else:
        yield f"this cable costs {lost:.2%} of span"
