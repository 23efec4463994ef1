"""One fault put into a drawn chain: an element changes, the readings follow.

`LIMITS` states from which size on a fault of each block has to be found.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from acq.analysis.chain_papers import Block
from tests.campaigns.drawn_chains import OPEN, Drawn, Rng

# detection limits of the campaign, in the trade's units; smaller faults are not drawn
LIMITS = {
    "mechanics": "live load off by 0.6 % of span; one mount binding by 10 %; force of 3 % of span",
    "cell": "zero by 5 % and rated output by 3 % of rated output; leak shifting the zero by 5 % of"
    " rated output; output resistance by 8 %; every open, shorted or crossed wire",
    "junction box": "leak shifting the sum by 0.3 % of span; series resistance of 1 % of the input"
    " or 4 % of the output resistance; every loose or bridged terminal",
    "home-run cable": "sense, conductor or added voltage worth 0.3 % of span; leak shifting"
    " the sum by 0.3 % of span; open conductor",
    "transmitter": "span, zero or bend by 0.2 % of span; excitation by 12 %; unused sense worth"
    " 0.3 %; stuck output",
    "loop": "0.4 % of span; clipping below 18 mA; open",
    "control system": "0.4 % of span; scaled 0 to 20 mA",
}


def spread(rng: Rng, low: float, high: float) -> float:
    """A size, equally likely per decade."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def signed(rng: Rng, low: float, high: float) -> float:
    """A size as `spread`, of either sign."""
    return spread(rng, low, high) * float(rng.choice([-1.0, 1.0]))


Fault = Callable[[Drawn, Rng, int], str]


def break_one(drawn: Drawn, rng: Rng, block: Block) -> None:
    """Put one fault of this block into the plant."""
    options = FAULTS[block]
    if block is Block.CABLE and drawn.plant.sensed and rng.random() < 0.3:
        options = (sense_missing,)
    index = int(rng.integers(len(drawn.chain.cells)))
    drawn.fault = options[int(rng.integers(len(options)))](drawn, rng, index)
    drawn.block, drawn.cell = block, index


def pipes(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = spread(rng, 0.006, 0.3)
    drawn.plant.live_gain = 1 - part
    return f"pipes carry {part:.2%}"


def extra_force(drawn: Drawn, rng: Rng, _i: int) -> str:
    force = signed(rng, 0.03, 0.3) * drawn.live
    drawn.plant.extra_force = force
    return f"extra force {force:.1f} kg"


def binding(drawn: Drawn, rng: Rng, i: int) -> str:
    part = spread(rng, 0.1, 0.8)
    drawn.plant.binding[i] = part
    return f"mount {i + 1} binds by {part:.1%}"


def zero_shift(drawn: Drawn, rng: Rng, i: int) -> str:
    part = signed(rng, 0.05, 0.8)
    drawn.plant.zero[i] += part * drawn.plant.rated[i]
    return f"cell {i + 1} zero moved by {part:.1%} of rated output"


def other_output(drawn: Drawn, rng: Rng, i: int) -> str:
    part = signed(rng, 0.03, 0.5)
    drawn.plant.rated[i] *= 1 + part
    return f"cell {i + 1} rated output off by {part:.1%}"


def cell_leak(drawn: Drawn, rng: Rng, i: int) -> str:
    output = drawn.plant.arms[i]
    limit = output / (4 * 0.05 * drawn.plant.rated[i])
    ohms = spread(rng, max(limit / 50, 2e3), limit)
    y = f"Y{rng.choice(['+', '-'])}{i}"
    x = f"X{rng.choice(['+', '-'])}{i}"
    drawn.plant.bridges.append((y, x, ohms))
    return f"cell {i + 1} leaks {y} {x} {ohms:.3g} ohm"


def wire(*names: str) -> Fault:
    def fault(drawn: Drawn, _rng: Rng, i: int) -> str:
        for name in names:
            drawn.plant.wires[i, name] = OPEN
        return f"cell {i + 1} wire {', '.join(names)} open"

    return fault


def short(drawn: Drawn, rng: Rng, i: int) -> str:
    ohms = spread(rng, 0.05, 20.0)
    drawn.plant.bridges.append((f"P{i}", f"M{i}", ohms))
    return f"cell {i + 1} signal pair shorted {ohms:.3g} ohm"


def crossed(drawn: Drawn, _rng: Rng, i: int) -> str:
    drawn.plant.polarity[i] = -1.0
    return f"cell {i + 1} signal pair crossed"


def other_resistance(drawn: Drawn, rng: Rng, i: int) -> str:
    arm = drawn.plant.arms[i]
    options = [r for r in (350.0, 700.0, 1000.0) if abs(r / arm - 1) > 0.08]
    new = float(rng.choice(options)) if rng.random() < 0.7 else arm * (1 + signed(rng, 0.08, 0.3))
    first, second = drawn.plant.compensation[i]
    drawn.plant.arms[i] = new
    drawn.plant.compensation[i] = (first * new / arm, second * new / arm)
    return f"cell {i + 1} has {new:.0f} ohm instead of {arm:.0f}"


def terminal(*names: str) -> Fault:
    def fault(drawn: Drawn, _rng: Rng, i: int) -> str:
        for name in names:
            drawn.plant.terminals[i, name] = OPEN
        return f"box input {i + 1} terminal {', '.join(names)} loose"

    return fault


def box_joint(drawn: Drawn, rng: Rng, i: int) -> str:
    if rng.random() < 0.5:
        ohms = spread(rng, 0.01, 1.0) * drawn.chain.cells[i].input_ohms
        drawn.plant.terminals[i, "Ex+"] = ohms
        return f"box input {i + 1} Ex+ joint {ohms:.3g} ohm"
    ohms = spread(rng, 0.04, 2.0) * drawn.chain.cells[i].output_ohms
    name = str(rng.choice(["S+", "S-"]))
    drawn.plant.terminals[i, name] = ohms
    return f"box input {i + 1} {name} joint {ohms:.3g} ohm"


def _leak_limit(drawn: Drawn) -> float:
    group = 1.0 / sum(1.0 / cell.output_ohms for cell in drawn.chain.cells)
    return group / (4 * 0.003 * drawn.chain.span_ratio)


def box_leak(drawn: Drawn, rng: Rng, _i: int) -> str:
    limit = _leak_limit(drawn)
    ohms = spread(rng, max(limit / 300, 200.0), limit)
    ends = (f"J{rng.choice(['p', 'm'])}", f"J{rng.choice(['+', '-'])}")
    drawn.plant.bridges.append((*ends, ohms))
    return f"box leaks {ends} {ohms:.3g} ohm"


def box_bridged(drawn: Drawn, rng: Rng, _i: int) -> str:
    group = 1.0 / sum(1.0 / cell.output_ohms for cell in drawn.chain.cells)
    ohms = spread(rng, 0.05, group / 0.05)
    drawn.plant.bridges.append(("Jp", "Jm", ohms))
    return f"box signal terminals bridged {ohms:.3g} ohm"


def sense_missing(drawn: Drawn, rng: Rng, i: int) -> str:
    if 1 - drawn.chain.cable_share < 0.003:
        return cable_voltage(drawn, rng, i)
    drawn.plant.sense_linked_at_transmitter = True
    return "sense linked at the transmitter"


def conductor(drawn: Drawn, rng: Rng, i: int) -> str:
    if drawn.plant.sensed:
        return cable_leak(drawn, rng, i)
    cells = drawn.chain.cells
    group = 1.0 / sum(1.0 / cell.input_ohms for cell in cells)
    ohms = spread(rng, 0.002, 0.3) * group
    drawn.plant.conductor += ohms
    return f"home-run conductors have {ohms:.3g} ohm more"


def cable_voltage(drawn: Drawn, rng: Rng, _i: int) -> str:
    volts = signed(rng, 0.003, 0.5) * drawn.chain.span_ratio * drawn.plant.excitation
    drawn.plant.signal_emf = volts
    return f"home run adds {volts:.3g} V"


def cable_leak(drawn: Drawn, rng: Rng, _i: int) -> str:
    limit = _leak_limit(drawn)
    ohms = spread(rng, max(limit / 300, 200.0), limit)
    ends = (f"S{rng.choice(['p', 'm'])}", f"T{rng.choice(['+', '-'])}")
    drawn.plant.bridges.append((*ends, ohms))
    return f"home run leaks {ends} {ohms:.3g} ohm"


def cable_open(drawn: Drawn, _rng: Rng, _i: int) -> str:
    drawn.plant.cable_signal = OPEN
    return "home-run signal conductor open"


def _sent(drawn: Drawn, gain: float, zero: float, bend: float = 0.0) -> None:
    drawn.plant.send = lambda part: part * gain + zero + 4 * bend * part * (1 - part)


def span(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = signed(rng, 0.002, 0.4)
    _sent(drawn, 1 + part, 0.0)
    return f"transmitter span off by {part:.2%}"


def zero(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = signed(rng, 0.002, 0.3)
    _sent(drawn, 1.0, part)
    return f"transmitter zero off by {part:.2%}"


def span_and_zero(drawn: Drawn, rng: Rng, _i: int) -> str:
    parts = (signed(rng, 0.01, 0.3), signed(rng, 0.01, 0.3))
    _sent(drawn, 1 + parts[0], parts[1])
    return f"transmitter range off by {parts[0]:.2%} and {parts[1]:.2%}"


def bend(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = signed(rng, 0.002, 0.1)
    _sent(drawn, 1.0, 0.0, part)
    return f"transmitter bent by {part:.2%}"


def stuck(drawn: Drawn, rng: Rng, _i: int) -> str:
    amperes = float(rng.choice([3.6e-3, 21e-3, rng.uniform(4e-3, 20e-3)]))
    drawn.plant.stuck = amperes
    return f"transmitter stuck at {amperes * 1e3:.2f} mA"


def excitation(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = -spread(rng, 0.12, 0.8)
    drawn.plant.excitation *= 1 + part
    return f"transmitter excitation off by {part:.0%}"


def sense_unused(drawn: Drawn, rng: Rng, i: int) -> str:
    if not drawn.plant.sensed or 1 - drawn.chain.cable_share < 0.003:
        return span(drawn, rng, i)
    drawn.plant.transmitter_uses_sense = False
    return "transmitter does not use its sense terminals"


def loop_shunt(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = spread(rng, 0.004, 0.6)
    drawn.plant.loop_gain = 1 - part
    return f"loop loses {part:.2%}"


def loop_added(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = signed(rng, 0.004, 0.3)
    drawn.plant.loop_offset = 0.016 * part
    return f"loop has {part:.2%} added"


def loop_clips(drawn: Drawn, rng: Rng, _i: int) -> str:
    limit = float(rng.uniform(7e-3, 18e-3))
    drawn.plant.loop_limit = limit
    return f"loop clips at {limit * 1e3:.1f} mA"


def loop_open(drawn: Drawn, _rng: Rng, _i: int) -> str:
    drawn.plant.loop_limit = 0.0
    return "loop open"


def _shown(drawn: Drawn, gain: float, zero: float) -> None:
    lower, width = drawn.chain.lower, drawn.chain.span_shown
    drawn.plant.show = lambda amperes: lower + width * (gain * (amperes - 4e-3) / 16e-3 + zero)


def control_span(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = signed(rng, 0.004, 0.5)
    _shown(drawn, 1 + part, 0.0)
    return f"control span off by {part:.2%}"


def control_zero(drawn: Drawn, rng: Rng, _i: int) -> str:
    part = signed(rng, 0.004, 0.4)
    _shown(drawn, 1.0, part)
    return f"control zero off by {part:.2%}"


def control_range(drawn: Drawn, rng: Rng, _i: int) -> str:
    parts = (signed(rng, 0.01, 0.5), signed(rng, 0.01, 0.3))
    _shown(drawn, 1 + parts[0], parts[1])
    return f"control range off by {parts[0]:.2%} and {parts[1]:.2%}"


def control_from_zero(drawn: Drawn, _rng: Rng, _i: int) -> str:
    lower, width = drawn.chain.lower, drawn.chain.span_shown
    drawn.plant.show = lambda amperes: lower + width * amperes / 20e-3
    return "control input scaled 0 to 20 mA"


FAULTS: dict[Block, tuple[Fault, ...]] = {
    Block.MECHANICS: (pipes, extra_force, binding),
    Block.CELL: (
        zero_shift, zero_shift, other_output, cell_leak, wire("S+"), wire("S-"), wire("S+", "S-"),
        wire("Ex+"), wire("Ex-"), short, crossed, other_resistance,
    ),
    Block.BOX: (
        terminal("S+", "S-"), terminal("S+"), terminal("S-"), terminal("Ex+"), box_joint,
        box_joint, box_leak, box_leak, box_bridged,
    ),
    Block.CABLE: (conductor, cable_voltage, cable_leak, cable_open),
    Block.TRANSMITTER: (span, zero, span_and_zero, bend, stuck, excitation, sense_unused),
    Block.LOOP: (loop_shunt, loop_added, loop_clips, loop_open),
    Block.CONTROL: (control_span, control_zero, control_range, control_from_zero),
}  # fmt: skip
