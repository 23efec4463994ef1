"""One cell of a weighing chain on paper; what its file leaves blank is in the cell's papers."""

from __future__ import annotations

from pathlib import Path

from acq.analysis.chain import excitation_kept
from acq.analysis.chain_papers import ChainCell
from acq.cells.cell import Cell
from acq.cells.chain_file import ChainCellEntry, ChainFile
from acq.cells.chain_subject import ChainPapers
from acq.cells.data_sheet import DataSheet
from acq.cells.paper_fields import Load
from drivers.written_file import FileError

_CAPACITY_WITHIN = 0.02  # papers round 1102.3 lb to 500 kg
COMPENSATION = {"one-sided Ex+": 1.0, "one-sided Ex-": 0.0}


def chain_cell(
    path: Path,
    index: int,
    entry: ChainCellEntry,
    share: float,
    file: ChainFile,
    frozen: ChainPapers,
    notes: list[str],
) -> ChainCell:
    """Return a cell of a chain, its gaps filled from its own papers, then from its type's.

    `notes` hear what was filled from where. Raises FileError for what no paper gives.
    """
    papers = frozen.cells[entry.serial] if entry.serial else None
    type_ = papers.data_sheet if papers else None
    if type_ is None and entry.type:
        type_ = frozen.types[entry.type]
    key = f"cells.{index}"
    capacity = _capacity(path, key, entry, papers, type_)
    if capacity.unit == "N" and file.vessel.gravity is None:
        raise FileError(path, "vessel.gravity", f"cell {entry.name} is in newtons: needed in kg")
    kilograms = capacity.value / (file.vessel.gravity or 1.0) if capacity.unit == "N" else None
    found = {
        name: _number(path, key, entry, papers, type_, name, notes)
        for name in ("rated_output", "zero_balance", "input_resistance", "output_resistance")
    }
    rated = found["rated_output"] * _gravity_factor(entry, papers, file, kilograms, notes)
    layout = type_.compensation.layout if type_ else "unknown"
    wires = entry.wires or _wires(papers, type_)
    kept = 1.0
    if wires == 6:
        kept = _kept(path, key, entry, type_, found["input_resistance"], notes)
    return ChainCell(
        name=entry.name,
        capacity=kilograms or capacity.value,
        rated_output=rated,
        zero=found["zero_balance"],
        input_ohms=found["input_resistance"],
        output_ohms=found["output_resistance"],
        share=share,
        excitation_trim_ohms=entry.excitation_trim or 0.0,
        compensation_plus=COMPENSATION.get(layout, 0.5),
        wires=wires,
        excitation_kept=kept,
    )


def _capacity(
    path: Path,
    key: str,
    entry: ChainCellEntry,
    papers: Cell | None,
    type_: DataSheet | None,
) -> Load:
    """Raises FileError for one that no paper gives, and for one that papers contradict."""
    of_papers = (papers.capacity if papers else None) or (type_.capacity if type_ else None)
    capacity = entry.capacity or of_papers
    if capacity is None:
        raise FileError(path, f"{key}.capacity", "no paper gives it; write it here")
    within = _CAPACITY_WITHIN * capacity.value
    if (
        of_papers is not None
        and of_papers.unit == capacity.unit
        and abs(capacity.value - of_papers.value) > within
    ):
        whose = entry.serial or entry.type
        reason = f"{capacity} here, {of_papers} in the papers of {whose}: is it that cell?"
        raise FileError(path, f"{key}.capacity", reason)
    return capacity


def _kept(
    path: Path,
    key: str,
    entry: ChainCellEntry,
    type_: DataSheet | None,
    input_ohms: float,
    notes: list[str],
) -> float:
    """What a 6-wire cell loses in its own cable in a box that does not carry its sense leads on."""
    conductor = entry.conductor_resistance
    if conductor is None and type_ is not None:
        conductor = type_.cable.lead_ohms
    if conductor is None:
        notes.append(
            f"{entry.name}: 6 wires, but no paper tells its cable's resistance; what the cable"
            " takes of the excitation is not counted"
        )
        return 1.0
    if 2.0 * conductor >= input_ohms:
        raise FileError(
            path,
            f"{key}.conductor_resistance",
            f"two conductors of {conductor:g} ohm leave no bridge of {input_ohms:g} ohm",
        )
    return excitation_kept(input_ohms, conductor, joined=entry.sense_leads == "joined")


def _wires(papers: Cell | None, type_: DataSheet | None) -> int:
    own = papers.sheet.wires if papers and papers.sheet else None
    return own or (type_.cable.wires if type_ else None) or 4


def _number(
    path: Path,
    key: str,
    entry: ChainCellEntry,
    papers: Cell | None,
    type_: DataSheet | None,
    name: str,
    notes: list[str],
) -> float:
    written = getattr(entry, name)
    if written is not None:
        return float(written)
    own = getattr(papers.sheet, name) if papers and papers.sheet else None
    if own is not None:
        return float(own)
    span = getattr(type_, name) if type_ else None
    if span is not None and span.best is not None:
        notes.append(f"{entry.name}: {name} taken from its type, there is no sheet of its own")
        return float(span.best)
    if name == "zero_balance":
        notes.append(f"{entry.name}: no paper gives a zero balance; 0 assumed")
        return 0.0
    raise FileError(path, f"{key}.{name}", "no paper gives it; write it here")


def _gravity_factor(
    entry: ChainCellEntry,
    papers: Cell | None,
    file: ChainFile,
    from_newtons: float | None,
    notes: list[str],
) -> float:
    """A kilogram is heavier where gravity is larger: what the sheet says grows with it."""
    sheet = entry.gravity or (papers.sheet.gravity if papers and papers.sheet else None)
    if from_newtons is not None:
        return 1.0
    if sheet is None or file.vessel.gravity is None:
        missing = "the plant" if file.vessel.gravity is None else "the sheet"
        notes.append(f"{entry.name}: gravity of {missing} unknown; sheet used as it stands")
        return 1.0
    return file.vessel.gravity / sheet
