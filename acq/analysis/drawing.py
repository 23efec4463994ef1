"""A drawing of the bridge with what was measured and what was expected: SVG, and plain text.

Shape and words carry the meaning: a suspect is drawn with a thick broken outline and named, a
sound part with a thin full one. Colour only helps and may be lost in print.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape

from acq.analysis.faults import FaultAt
from acq.analysis.leads import ARMS, Lead
from acq.analysis.wording import tidy

WIDTH, HEIGHT = 800, 470
CENTRE = (385, 216)
REACH = 118  # from the middle of the bridge to a terminal
BODY = (150, 44, 470, 344)  # x, y, width, height of the housing
PLUG_LEFT, PLUG_RIGHT = 128, 646  # where the leads end
INK = "#1a1a1a"
ACCENT = "#b3261e"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One labelled part: what was measured and what was expected, as text; blank is left out."""

    measured: str = ""
    expected: str = ""

    @property
    def lines(self) -> tuple[str, ...]:
        """The label under the part's name."""
        said = []
        if self.measured:
            said.append(self.measured)
        if self.expected:
            said.append(f"expected {self.expected}")
        return tuple(said)


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgePicture:
    """What is drawn: arms A to D, legs at Ex+ and Ex-, leads, insulation; and the suspects.

    `notes` stand below the drawing, one line each.
    """

    title: str = ""
    arms: Mapping[str, Part] = field(default_factory=dict)
    legs: Mapping[str, Part] = field(default_factory=dict)  # by "Ex+", "Ex-"
    leads: Mapping[Lead, Part] = field(default_factory=dict)
    paths: Mapping[Lead, Part] = field(default_factory=dict)  # by shield, housing
    suspects: tuple[FaultAt, ...] = ()
    wires: int = 4
    notes: tuple[str, ...] = ()


def ohms_part(measured: float | None, expected: float | None, spread: float = 0.0) -> Part:
    """Return the label of a resistance; `spread` is the expanded uncertainty of `measured`."""
    about = f" ± {spread:.2g}" if spread else ""
    return Part(
        measured="" if measured is None else f"{tidy(measured)}{about} ohm",
        expected="" if expected is None else f"{tidy(expected)} ohm",
    )


def suspect_arms(suspects: tuple[FaultAt, ...]) -> dict[str, str]:
    """Return the words of the faults that sit in an arm, by arm."""
    found: dict[str, list[str]] = {}
    for place in suspects:
        for arm, leads in ARMS.items():
            if place.where == leads and place.place.startswith("arm"):
                found.setdefault(arm, []).append(place.fault)
    return {arm: ", ".join(words) for arm, words in found.items()}


def suspect_leads(suspects: tuple[FaultAt, ...]) -> dict[Lead, str]:
    """Return the words of the faults that sit at leads, shield or housing, by lead."""
    found: dict[Lead, list[str]] = {}
    for place in suspects:
        if not place.place.startswith("arm"):
            for lead in place.where:
                found.setdefault(lead, []).append(place.fault)
    return {lead: ", ".join(words) for lead, words in found.items()}


def as_svg(picture: BridgePicture) -> str:
    """Return the drawing as one SVG document; the words inside are text, for readers too."""
    height = HEIGHT + 18 * len(picture.notes)
    body = [*_frame(picture), *_bridge(picture), *_leads(picture), *_screens(picture)]
    body += [
        _text(14, HEIGHT + 8 + 18 * place, note, size=12)
        for place, note in enumerate(picture.notes)
    ]
    described = escape("; ".join((picture.title, *words(picture))))
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
            f'role="img" font-family="sans-serif" font-size="13" fill="{INK}">',
            f"<title>{escape(picture.title or 'bridge')}</title>",
            f"<desc>{described}</desc>",
            *body,
            "</svg>",
        ]
    )


def words(picture: BridgePicture) -> tuple[str, ...]:
    """Return every label as one sentence: what the drawing says, without the drawing."""
    arms, leads = suspect_arms(picture.suspects), suspect_leads(picture.suspects)
    said = [_sentence(f"arm {x}", picture.arms.get(x), arms.get(x, "")) for x in "ABCD"]
    said += [_sentence(f"leg at {x}", part, "") for x, part in picture.legs.items()]
    for lead in (*_drawn_leads(picture), Lead.SHIELD, Lead.HOUSING):
        part = picture.leads.get(lead) or picture.paths.get(lead)
        said.append(_sentence(lead, part, leads.get(lead, "")))
    return tuple(x for x in said if x)


def _sentence(name: str, part: Part | None, suspect: str) -> str:
    said = [*(part.lines if part else ()), *([f"suspect: {suspect}"] if suspect else [])]
    return f"{name}: {', '.join(said)}" if said else ""


def _drawn_leads(picture: BridgePicture) -> tuple[Lead, ...]:
    four = (Lead.EX_PLUS, Lead.EX_MINUS, Lead.S_PLUS, Lead.S_MINUS)
    six = (Lead.EX_PLUS, Lead.SE_PLUS, Lead.EX_MINUS, Lead.SE_MINUS, Lead.S_PLUS, Lead.S_MINUS)
    return six if picture.wires == 6 else four


def _frame(picture: BridgePicture) -> list[str]:
    return [
        f'<rect x="1" y="1" width="{WIDTH - 2}" height="{HEIGHT - 18}" rx="6" fill="none" '
        f'stroke="{INK}" stroke-width="1"/>',
        _text(14, 26, picture.title, size=15),
        f'<rect x="{BODY[0]}" y="{BODY[1]}" width="{BODY[2]}" height="{BODY[3]}" rx="14" '
        f'fill="none" stroke="{INK}" stroke-width="1.5"/>',
        _text(BODY[0] + BODY[2] - 12, BODY[1] + BODY[3] - 10, "housing", size=12, anchor="end"),
    ]


ENDS = {"top": (0, -1), "bottom": (0, 1), "S+": (-1, 0), "S-": (1, 0)}
ARM_ENDS = {
    "A": ("top", "S+"),
    "B": ("top", "S-"),
    "C": ("bottom", "S+"),
    "D": ("bottom", "S-"),
}


def _at(end: str) -> tuple[float, float]:
    dx, dy = ENDS[end]
    return CENTRE[0] + REACH * dx, CENTRE[1] + REACH * dy


def _bridge(picture: BridgePicture) -> list[str]:
    arms = suspect_arms(picture.suspects)
    drawn = []
    for arm, (start, end) in ARM_ENDS.items():
        part = picture.arms.get(arm, Part())
        drawn += _resistor(_at(start), _at(end), f"arm {arm}", part, arms.get(arm, ""))
    for end in ENDS:
        x, y = _at(end)
        drawn.append(f'<circle cx="{x}" cy="{y}" r="4" fill="{INK}"/>')
    return drawn


def _resistor(
    start: tuple[float, float],
    end: tuple[float, float],
    name: str,
    part: Part,
    suspect: str,
) -> list[str]:
    """A box on the way from start to end, with its label outside of the bridge."""
    x, y = (start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0
    falling = (end[0] - start[0]) * (end[1] - start[1]) > 0
    outline = (
        f'stroke="{ACCENT}" stroke-width="4" stroke-dasharray="7 4"'
        if suspect
        else f'stroke="{INK}" stroke-width="1.5"'
    )
    turn = 45 if falling else -45
    left = x < CENTRE[0]
    label = [name, *part.lines, *(["SUSPECT:", suspect] if suspect else [])]
    tx, anchor = (x - 36, "end") if left else (x + 36, "start")
    ty = y - 10 - 8 * (len(label) - 2)
    return [
        f'<line x1="{start[0]}" y1="{start[1]}" x2="{end[0]}" y2="{end[1]}" stroke="{INK}" '
        'stroke-width="1.5"/>',
        f'<rect x="{x - 27}" y="{y - 10}" width="54" height="20" fill="#ffffff" {outline} '
        f'transform="rotate({turn} {x} {y})"/>',
        *(
            _text(tx, ty + 16 * line, text, anchor=anchor, bold=bool(suspect) and line == 0)
            for line, text in enumerate(label)
        ),
    ]


LEAD_ROWS = {
    Lead.EX_PLUS: 70,
    Lead.SE_PLUS: 112,
    Lead.S_PLUS: CENTRE[1],
    Lead.S_MINUS: CENTRE[1],
    Lead.SE_MINUS: 320,
    Lead.EX_MINUS: 362,
}


def _leads(picture: BridgePicture) -> list[str]:
    suspects = suspect_leads(picture.suspects)
    drawn = []
    for lead in _drawn_leads(picture):
        y = LEAD_ROWS[lead]
        drawn += _lead_line(picture, lead, y, bool(suspects.get(lead)))
        label = [str(lead), *picture.leads.get(lead, Part()).lines]
        if suspects.get(lead):
            label += ["SUSPECT:", suspects[lead]]
        left = PLUG_RIGHT + 14 if lead is Lead.S_MINUS else 14
        drawn += [
            _text(left, y - 4 + 14 * row, text, size=12, bold=row == 0)
            for row, text in enumerate(label)
        ]
    return drawn


def _lead_line(picture: BridgePicture, lead: Lead, y: float, suspect: bool) -> list[str]:
    """A conductor from the plug to its terminal; the legs lie on the way of Ex+ and Ex-."""
    at = PLUG_RIGHT if lead is Lead.S_MINUS else PLUG_LEFT
    joint = BODY[0] + 26
    ways: dict[Lead, list[tuple[float, float]]] = {
        Lead.EX_PLUS: [(at, y), (CENTRE[0], y), _at("top")],
        Lead.SE_PLUS: [(at, y), (joint, y), (joint, LEAD_ROWS[Lead.EX_PLUS])],
        Lead.EX_MINUS: [(at, y), (CENTRE[0], y), _at("bottom")],
        Lead.SE_MINUS: [(at, y), (joint, y), (joint, LEAD_ROWS[Lead.EX_MINUS])],
        Lead.S_PLUS: [(at, y), _at("S+")],
        Lead.S_MINUS: [(at, y), _at("S-")],
    }
    points = " ".join(f"{a},{b}" for a, b in ways[lead])
    style = (
        f'stroke="{ACCENT}" stroke-width="4" stroke-dasharray="7 4"'
        if suspect
        else f'stroke="{INK}" stroke-width="1.5"'
    )
    drawn = [
        f'<polyline points="{points}" fill="none" {style}/>',
        f'<circle cx="{at}" cy="{y}" r="5" fill="#ffffff" stroke="{INK}" stroke-width="1.5"/>',
    ]
    part = picture.legs.get(str(lead))
    if part is not None:
        drawn.append(
            f'<rect x="270" y="{y - 8}" width="44" height="16" fill="#ffffff" stroke="{INK}" '
            'stroke-width="1.5"/>'
        )
        beyond = 20 if lead is Lead.EX_MINUS else -12
        drawn.append(_text(230, y + beyond, f"leg {', '.join(part.lines)}".strip(), size=12))
    return drawn


def _screens(picture: BridgePicture) -> list[str]:
    suspects = suspect_leads(picture.suspects)
    drawn = []
    for row, lead in enumerate((Lead.SHIELD, Lead.HOUSING)):
        label = [f"{lead}:", *picture.paths.get(lead, Part()).lines]
        if suspects.get(lead):
            label.append(f"SUSPECT: {suspects[lead]}")
        if len(label) > 1:
            text = " ".join(label)
            drawn.append(_text(14, 412 + 18 * row, text, size=12, bold=lead in suspects))
    return drawn


def _text(
    x: float, y: float, text: str, *, size: int = 13, anchor: str = "start", bold: bool = False
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}"{weight}>'
        f"{escape(text)}</text>"
    )
