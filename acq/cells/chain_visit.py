"""From the file of a chain to what the analysis takes: papers with every gap filled, and rows.

Where a paper is missing the value comes from the next one, and `notes` say so.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Unpack

from acq.analysis.chain import IEC_60228_FLEXIBLE, Loop, SignalBands, Transmitter, conductor_ohms
from acq.analysis.chain_hypotheses import Population
from acq.analysis.chain_papers import (
    Allowed,
    Block,
    Chain,
    ChainReadings,
    Kind,
    LoadState,
    Place,
    Row,
    Tolerances,
)
from acq.cells import paper_units as units
from acq.cells.chain_cells import chain_cell
from acq.cells.chain_file import (
    AS_LEFT,
    OPEN,
    ChainFile,
    FedEntry,
    Seen,
    StateEntry,
)
from acq.cells.chain_subject import ChainPapers
from acq.cells.folder import find_cell, find_data_sheet
from drivers.written_file import FileError, check, read_file

EXAMPLES = Path(__file__).parent / "examples" / "chains"


@dataclass(frozen=True, slots=True)
class ChainVisit:
    """A chain, the readings of one visit, the population to judge by, and what was assumed.

    `readings` are those as found, which tell the block; `left` those after the adjustment.
    """

    file: ChainFile
    chain: Chain
    readings: ChainReadings
    left: ChainReadings
    population: Population
    notes: tuple[str, ...]


def read_chain(path: Path, folder: Path | None = None) -> ChainVisit:
    """Return the chain and readings of a file; a bare name means one of the shipped examples.

    Raises FileError with file, key and reason; WrongInput for a serial or type without papers.
    """
    path = _shipped(path)
    return visit_of(chain_papers(path, folder), path)


def chain_papers(path: Path, folder: Path | None = None) -> ChainPapers:
    """Return the file of a chain with the papers that it names, frozen for a run.

    Raises as `read_chain`.
    """
    path = _shipped(path)
    file = read_file(path, ChainFile)
    serials = {entry.serial for entry in file.cells if entry.serial}
    types = {entry.type for entry in file.cells if entry.type and not entry.serial}
    papers = ChainPapers(
        serial=file.name,
        text=path.read_text(encoding="utf-8"),
        cells={serial: find_cell(serial, folder) for serial in sorted(serials)},
        types={name: find_data_sheet(name, folder) for name in sorted(types)},
    )
    visit_of(papers, path)  # what is missing is told before anything begins
    return papers


def visit_of(papers: ChainPapers, path: Path | None = None) -> ChainVisit:
    """Return the chain and readings of frozen papers; `path` names them in errors."""
    where = path or Path(papers.serial)
    file = check(where, tomllib.loads(papers.text), ChainFile)
    notes: list[str] = []
    chain = _chain(where, file, papers, notes)
    found, left = _readings(file, as_left=False), _readings(file, as_left=True)
    return ChainVisit(file, chain, found, left, _population(file), tuple(notes))


def _shipped(path: Path) -> Path:
    if not path.exists() and path.suffix == "" and (EXAMPLES / f"{path}.toml").is_file():
        return EXAMPLES / f"{path}.toml"
    return path


def _chain(path: Path, file: ChainFile, frozen: ChainPapers, notes: list[str]) -> Chain:
    shares = [entry.share for entry in file.cells]
    equal = 1.0 / len(shares)
    total = sum(share or equal for share in shares)
    cells = tuple(
        chain_cell(path, index, entry, (entry.share or equal) / total, file, frozen, notes)
        for index, entry in enumerate(file.cells)
    )
    transmitter = file.transmitter
    bands = SignalBands(lowest=transmitter.lowest or 3.8e-3, highest=transmitter.highest or 20.5e-3)
    chain = Chain(
        name=file.name,
        cells=cells,
        conductor_ohms=_conductor(path, file),
        sensed=file.home_run.sensed,
        transmitter=Transmitter(
            transmitter.ratio_at_4_mA,
            transmitter.ratio_at_20_mA,
            bands,
            transmitter.failure or 21e-3,
        ),
        excitation_volts=transmitter.excitation or 10.0,
        regulated_at_sense=transmitter.regulated_at == "sense",
        loop=_loop(file),
        lower=file.control_system.lower,
        upper=file.control_system.upper,
        digit=file.control_system.digit,
        dead_load=file.vessel.dead_load,
        u_dead_load=file.vessel.dead_load_uncertainty,
        tolerances=_tolerances(file),
        corner_fraction=file.vessel.corner_fraction or 0.7,
        u_corner_fraction=file.vessel.corner_fraction_uncertainty or 0.1,
    )
    _doubt_papers(chain, notes)
    return chain


def _conductor(path: Path, file: ChainFile) -> float:
    run = file.home_run
    if run.conductor_resistance is not None:
        return run.conductor_resistance
    per_metre = run.resistance
    if per_metre is None:
        per_km = IEC_60228_FLEXIBLE.get(run.conductor_area or 0.0)
        if per_km is None:
            areas = ", ".join(f"{area} mm2" for area in IEC_60228_FLEXIBLE)
            raise FileError(path, "home_run.conductor_area", f"known are {areas}; give resistance")
        per_metre = per_km * 1e-3
    length = run.length or 0.0
    return conductor_ohms(
        length, per_metre * 1e3, 20.0 if run.temperature is None else run.temperature
    )


def _loop(file: ChainFile) -> Loop | None:
    loop = file.loop
    if loop.supply is None or loop.burden is None or loop.transmitter_needs is None:
        return None
    return Loop(loop.supply, loop.burden, loop.transmitter_needs)


def _tolerances(file: ChainFile) -> Tolerances:
    names = {"control": "control_system"}
    return Tolerances(
        **{
            name: Allowed(given.value or 0.0, given.source)
            for name in Tolerances.__slots__
            if (given := getattr(file.tolerance, names.get(name, name)))
        }
    )


def _doubt_papers(chain: Chain, notes: list[str]) -> None:
    """Say so when the papers contradict each other: then even a sound chain shows wrong."""
    allowed = chain.tolerances.mechanics.value + chain.tolerances.control.value
    zero, span = chain.shown(0.0), chain.shown(chain.upper) - chain.shown(0.0)
    off = span / chain.upper - 1.0 if chain.upper else 0.0
    if abs(off) > allowed:
        notes.append(
            f"by these papers a sound chain shows a span {off:+.2%} off: range, sheets and cable"
            " contradict each other (a transmitter set by calculation on a cable without sense?)"
        )
    if abs(zero - chain.lower) > 0.02 * abs(chain.span_shown):
        notes.append(f"by these papers the empty vessel shows {zero:.1f} kg")
    if chain.loop is not None and chain.loop.largest_current < chain.transmitter.bands.highest:
        milliamps = chain.loop.largest_current * 1e3
        notes.append(f"by its papers the loop can carry no more than {milliamps:.1f} mA")


def _population(file: ChainFile) -> Population:
    given = file.population
    if given is None:
        return Population()
    weights = {block: getattr(given, _key(block)) for block in Block}
    return Population(weights, given.none, given.unknown, given.source)


def _key(block: Block) -> str:
    return block.value.replace(" ", "_").replace("-", "_")


def _readings(file: ChainFile, *, as_left: bool) -> ChainReadings:
    chosen = [state for state in file.states if file.left(state) == as_left]
    states = {
        state.name: LoadState(
            name=state.name,
            live=state.live,
            u_live=state.live_uncertainty,
            corner=None if state.corner is None else state.corner - 1,
        )
        for state in chosen
    }
    rows = [row for state in chosen for row in _of_state(file, state)]
    fed = [entry for entry in file.fed if (entry.round == AS_LEFT) == as_left]
    rows += _fed(file, fed)
    rows += [] if as_left else _ohms(file)
    return ChainReadings(states=states, rows=tuple(rows))


Parts = tuple[tuple[str, float], ...]


def _row(kind: Kind, seen: Seen, parts: Parts, **where: Unpack[Place]) -> Row:
    value = None if seen == OPEN else float(seen or 0.0)
    return Row(kind=kind, value=value, u=math.hypot(*(u for _, u in parts)), parts=parts, **where)


def _scaled(parts: Parts, slope: float) -> Parts:
    return tuple((name, u * slope) for name, u in parts)


def _plain(seen: Seen) -> float:
    return 0.0 if seen is None or seen == OPEN else float(seen)


def _of_state(file: ChainFile, state: StateEntry) -> Iterator[Row]:
    name = state.name
    for kind, seen in (
        (Kind.BOX_RATIO, state.box_ratio),
        (Kind.BOX_ALONE, state.box_ratio_alone),
        (Kind.TERMINAL_RATIO, state.transmitter_ratio),
    ):
        if seen is not None:
            yield _row(kind, seen, _ratio_parts(file, seen), state=name)
    for index, seen in enumerate(state.cell_ratio):
        if seen is not None:
            yield _row(Kind.CELL_RATIO, seen, _ratio_parts(file, seen), state=name, cell=index)
    for kind, seen in (
        (Kind.SENT, state.transmitter_current),
        (Kind.RECEIVED, state.input_current),
    ):
        if seen is not None:
            yield _row(kind, seen, _current_parts(file, seen), state=name)
    if state.display is not None:
        yield _row(Kind.SHOWN, state.display, _digit(file), state=name)
    yield from _excitation(file, state)


def _ratio_parts(file: ChainFile, seen: Seen) -> Parts:
    return (file.instruments.ratio.part(_plain(seen), units.RATIO, "meter on mV/V"),)


def _current_parts(file: ChainFile, seen: Seen) -> Parts:
    return (file.instruments.current.part(_plain(seen), units.AMPERES, "meter on mA"),)


def _digit(file: ChainFile) -> Parts:
    # a display is off by up to half its last digit, anywhere in between: a rectangle
    return (("last digit of the display", max(file.control_system.digit, 1e-6) / 12.0**0.5),)


def _excitation(file: ChainFile, state: StateEntry) -> Iterator[Row]:
    tools = file.instruments.volts
    at_transmitter, at_box = state.excitation, state.box_excitation
    if at_transmitter is not None:
        part = tools.part(_plain(at_transmitter), units.VOLTS, "meter on volts")
        yield _row(Kind.EXCITATION, at_transmitter, (part,))
    if _plain(at_transmitter) and at_box is not None:
        yield _quotient(file, Kind.BOX_SHARE, at_box, at_transmitter)
    if not _plain(at_box):
        return
    if state.sense is not None:
        yield _quotient(file, Kind.SENSE, state.sense, at_box)
    for index, seen in enumerate(state.cell_excitation):
        if seen is not None:
            yield _quotient(file, Kind.CELL_SHARE, seen, at_box, cell=index)


def _quotient(file: ChainFile, kind: Kind, seen: Seen, other: Seen, **where: Unpack[Place]) -> Row:
    """Quotient of two voltages read with one meter: its gain cancels, its constant does not."""
    volts = _plain(other)
    constant = file.instruments.volts.standard(0.0, units.VOLTS)
    u = max(2.0**0.5 * constant / volts, 1e-5)
    parts = (("constant of the meter on volts, as the chain's file says", u),)
    return _row(kind, OPEN if seen == OPEN else _plain(seen) / volts, parts, **where)


def _fed(file: ChainFile, entries: Sequence[FedEntry]) -> Iterator[Row]:
    tools, control = file.instruments, file.control_system
    span = abs(control.upper - control.lower)
    transmitter = file.transmitter
    range_ = abs(transmitter.ratio_at_20_mA - transmitter.ratio_at_4_mA)
    kinds = {
        "transmitter": (Kind.FED_TERMINALS_SENT, Kind.FED_TERMINALS_SHOWN),
        "box": (Kind.FED_BOX_SENT, Kind.FED_BOX_SHOWN),
    }
    for entry in entries:
        value = entry.number
        if entry.at == "control system":
            source = (tools.fed_current.part(value, units.AMPERES, "source of mA"),)
            parts = (*_scaled(source, span / 16e-3), *_digit(file))
            yield _row(Kind.FED_CURRENT_SHOWN, entry.display, parts, fed=value)
            continue
        source = (tools.fed_ratio.part(value, units.RATIO, "source of mV/V"),)
        sent, shown = kinds[entry.at]
        if entry.transmitter_ratio is not None:
            parts = (*source, *_ratio_parts(file, value))
            yield _row(Kind.FED_BOX_TERMINALS, entry.transmitter_ratio, parts, fed=value)
        if entry.current is not None:
            parts = (*_scaled(source, 16e-3 / range_), *_current_parts(file, entry.current))
            yield _row(sent, entry.current, parts, fed=value)
        if entry.display is not None:
            yield _row(shown, entry.display, (*_scaled(source, span / range_), *_digit(file)),
                       fed=value)  # fmt: skip


def _ohms(file: ChainFile) -> Iterator[Row]:
    tools = file.instruments.ohms
    for entry in file.ohms:
        for kind, seen in ((Kind.INPUT_OHMS, entry.input), (Kind.OUTPUT_OHMS, entry.output)):
            if seen is not None:
                part = tools.part(_plain(seen), units.OHMS, "meter on ohms")
                yield _row(kind, seen, (part,), cell=entry.cell - 1)
