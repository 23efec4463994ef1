"""What the person at the rig is told: the next load, and the caution where the hand acts."""

from __future__ import annotations

from acq.bench.loading import Applied
from acq.runs.prompts import Prompt

_LOCAL = " Your local rules for lifting and loading come first."
_CAUTIONS = {
    "weights": (
        "Suspended load: nobody and no hand under it; hook closed, hoist and slings good for it;"
        " set weights down gently."
    ),
    "lever": (
        "Suspended load and a lever: keep out of its way at both ends; set weights down gently."
    ),
    "hydraulic": (
        "Hydraulic pressure and crushing force: hands out of the press, guard closed, stand clear"
        " of hoses; never beyond the pressure that the jack stands."
    ),
}
_TENSION = " Rods under tension store energy: stand beside their line, behind the guard."


def caution(kind: str, *, tension: bool) -> str:
    """Return the caution of a rig; it defers to the site's own rules."""
    return _CAUTIONS[kind] + (_TENSION if tension else "") + _LOCAL


def load_text(applied: Applied, title: str, now: float, unit: str, corner: int | None) -> str:
    """Return what to do next: the load and how to make it, and which way."""
    place = "" if corner is None else f" at position {corner} of the platform"
    if applied.value <= 0.0 or applied.text == "nothing":
        return f"{title}: take every load off"
    way = "up" if applied.value > now else "down"
    unchanged = abs(applied.value - now) <= 1e-9 * applied.value
    how = "" if unchanged else f", {way} from {now:.6g} {unit}, never past it"
    return f"{title}: bring the load to {applied.value:.6g} {unit}, {applied.text}{place}{how}"


def inspection_prompt() -> Prompt:
    """Asked before anything is loaded."""
    return Prompt(
        text="Look at cell and mount: no crack, dent, bent part or worn thread, freely mounted,"
        " cable not pulling?",
        caution="A cracked cell can break under load: nothing is hung on it, not even to try.",
        choices=("sound", "damaged"),
    )


def unloaded_prompt(kind: str) -> Prompt:
    """Asked before the zero is read: what hangs there nobody has seen yet."""
    unit = "newtons" if kind == "hydraulic" else "kilograms"
    return Prompt(
        text="Take every load off the cell: its zero is read now. Done?",
        caution=caution(kind, tension=False),
        choices=("done",),
        load={unit: 0.0},
    )


def mounting_prompt(direction: str) -> Prompt:
    """Asked before a series in one direction; the excitation is off."""
    return Prompt(
        text=f"Take the cell out of the rig and mount it for {direction}, turned in its seat,"
        " without any load. Done?",
        caution=caution("weights", tension=direction == "tension"),
        choices=("done",),
    )
