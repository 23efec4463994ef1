"""What a live display looks like: one calm page with large digits, or one plain line.

Colour only helps; the words say everything.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.align import Align
from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from acq.analysis.weighing import in_divisions
from acq.desk.big_digits import big
from acq.desk.progress import SIMULATED

Picture = Mapping[str, Any]
KEYS = (
    "z zero  Z zero off  t tare  T tare off  c test weight  f filter  u unit  m mark"
    "  r reset  q quit"
)
STYLES = {"stable": "bold green", "frozen": "bold reverse red"}
NONE = "-"


def plain_line(picture: Picture) -> str:
    """Return one line for pipes and logs."""
    if picture["kind"] == "log":
        return _log_line(picture)
    weight = f"{weight_text(picture)} {picture['unit']}"
    parts = [
        picture["utc"][11:19],
        f"{weight:>14}",
        f"{output_text(picture)} mV/V",
        f"{_number(picture['percent'], '.3f')} %RO",
        f"{_number(_milli(picture['signal']), '+.5f')} mV",
        f"{_number(picture['excitation'], '.5f')} V",
        state_text(picture),
    ]
    if picture["said"]:
        parts.append(str(picture["said"]))
    return "  ".join(parts)


def _log_line(picture: Picture) -> str:
    rate = picture["rate"]
    parts = [
        picture["utc"][11:19],
        f"{picture['rows']} readings on the disk",
        f"{rate:.3g}/s" if rate else NONE,
        f"{picture['gaps']} gaps",
        f"signal {_number(_milli(picture.get('signal')), '+.5f')} mV",
    ]
    if "excitation" in picture:
        parts.append(f"excitation {_number(picture['excitation'], '.4f')} V")
    if "temperature" in picture:
        parts.append(f"{_number(picture['temperature'], '.2f')} degC")
    return "  ".join(parts)


def page(picture: Picture, width: int, typed: str | None = None) -> RenderableType:
    """Return the whole page for a terminal of this width; `typed` is what is being typed."""
    digits = big(weight_text(picture), width - 14)
    number = Text("\n".join(digits), style=STYLES.get(str(picture["state"]), "bold"))
    tared = bool(picture["tare"])
    unit = Text(f"\n\n\n{'net' if tared else 'gross'}\n{picture['unit']}", style="bold")
    row = Table.grid(padding=(0, 2))
    row.add_row(number, unit)
    head = Text(f"cell {picture['cell']}   run {picture['run']}   {picture['utc'][:19]} UTC")
    if picture["simulated"]:
        head.append(f"\n{SIMULATED}", style="reverse")
    foot = Text(KEYS, style="dim") if typed is None else Text(f"{typed}_", style="bold")
    state = Text(f"  {state_text(picture)}  ", style=STYLES.get(str(picture["state"]), "reverse"))
    return Group(
        head, Rule(style="dim"), Text(), Align.center(row), Text(), Align.center(state), Text(),
        _figures(picture), Rule(style="dim"), Text(str(picture["said"])), foot,
    )  # fmt: skip


def _figures(picture: Picture) -> Table:
    """The numbers below the weight, in three columns of name and value."""
    unit = picture["unit"]

    def load(name: str) -> str:
        value = picture[name]
        return NONE if value is None else f"{in_divisions(value, picture['division'])} {unit}"

    cells = [
        ("signal", f"{_number(_milli(picture['signal']), '+.5f')} mV"),
        ("excitation", f"{_number(picture['excitation'], '.5f')} V"),
        ("output", f"{output_text(picture)} mV/V"),
        ("of rated output", f"{_number(picture['percent'], '+.3f')} %"),
        ("gross", load("gross")),
        ("tare", load("tare")),
        ("zero trim", load("trim")),
        ("span", f"{picture['span']:.4f} of the papers"),
        ("division", f"{picture['division']:g} {unit}"),
        ("minimum", load("least")),
        ("maximum", load("largest")),
        ("peak, unfiltered", load("peak")),
        ("filter", str(picture["filter"])),
        ("settles in", _settling(picture)),
        ("criterion", str(picture["criterion"])),
        ("on the disk", f"{picture['rows']} readings"),
    ]
    table = Table.grid(padding=(0, 2), expand=True)
    for name, value in zip(cells[0::2], cells[1::2], strict=True):
        table.add_row(Text(name[0], "dim"), name[1], Text(value[0], "dim"), value[1])
    return table


def _settling(picture: Picture) -> str:
    left = picture["settles_in_s"]
    whole = f"{picture['filter_settles_s']:.2g} s"
    return f"{whole}, {left:.1f} s more" if left > 0.0 else f"{whole}, settled"


def weight_text(picture: Picture) -> str:
    """Return the weight in whole divisions; "Err" where there is none."""
    value = picture["net"] if picture["tare"] else picture["gross"]
    return "Err" if value is None else in_divisions(value, picture["division"])


def output_text(picture: Picture) -> str:
    """Return the output in mV/V."""
    return _number(_milli(picture["ratio"]), "+.5f")


def state_text(picture: Picture) -> str:
    """Return the stable mark, or why there is none."""
    if picture["limit"]:
        return f"signal {picture['limit']} its range: an open lead or an overload"
    state = str(picture["state"])
    if state == "stable":
        return "STABLE"
    if state == "frozen":
        return f"FROZEN: {picture['because']}"
    if picture["settles_in_s"] >= 0.05:
        return f"settling, {picture['settles_in_s']:.1f} s more"
    return "no reading" if state == "no reading" else f"not stable: {state}"


def _milli(value: float | None) -> float | None:
    return None if value is None else 1e3 * value


def _number(value: float | None, form: str) -> str:
    return NONE if value is None else format(value, form)
