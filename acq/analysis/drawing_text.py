"""The drawing of the bridge in plain text, for a terminal or a mail: no colour, no graphics."""

from __future__ import annotations

from acq.analysis.drawing import BridgePicture, Part, suspect_arms, suspect_leads, words
from acq.analysis.leads import Lead

SKETCH = """\
  {ex_plus}──{leg_plus}──┬─────────────┐
               │             │
             {a}         {b}
               │             │
  {s_plus}─────────┤             ├───────── {s_minus}
               │             │
             {c}         {d}
               │             │
  {ex_minus}──{leg_minus}──┴─────────────┘"""


def as_text(picture: BridgePicture) -> str:
    """Return the drawing: a sketch, then one line per label. `!` marks a suspect."""
    arms, leads = suspect_arms(picture.suspects), suspect_leads(picture.suspects)
    sketch = SKETCH.format(
        ex_plus=_mark(Lead.EX_PLUS, leads),
        ex_minus=_mark(Lead.EX_MINUS, leads),
        s_plus=_mark(Lead.S_PLUS, leads),
        s_minus=_mark(Lead.S_MINUS, leads),
        leg_plus=_leg(picture.legs.get("Ex+")),
        leg_minus=_leg(picture.legs.get("Ex-")),
        **{arm.lower(): _box(arm, arm in arms) for arm in "ABCD"},
    )
    lines = [picture.title, "", sketch, ""] if picture.title else [sketch, ""]
    lines += [f"  {'!' if 'suspect:' in line else ' '} {line}" for line in words(picture)]
    lines += [f"    {note}" for note in picture.notes]
    return "\n".join(lines)


def _mark(lead: Lead, suspects: dict[Lead, str]) -> str:
    return f"{lead}{'!' if lead in suspects else ''}".ljust(4)


def _box(arm: str, suspect: bool) -> str:
    return f"[!{arm}!]" if suspect else f"[ {arm} ]"


def _leg(part: Part | None) -> str:
    return "[leg]" if part is not None else "─────"
