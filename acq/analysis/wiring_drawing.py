"""One situation of a wiring plan drawn: terminals left, leads right, a line for each clip."""

from __future__ import annotations

from xml.sax.saxutils import escape

from acq.analysis.leads import Lead
from acq.analysis.svg import DASHED, PLAIN, stroke, words_at
from acq.analysis.wiring import Clip, Situation

WIDTH, ROW, TOP = 680.0, 30.0, 64.0
LEFT_END, RIGHT_END = 200.0, 430.0
TEXT_WIDTH = 30


def drawing(cell: str, situation: Situation) -> str:
    """Return the drawing as SVG; guessed leads have a broken line and a question mark."""
    terminals = list(dict.fromkeys(clip.terminal for clip in situation.clips))
    leads = list(dict.fromkeys(clip.lead for clip in situation.clips))
    rows = max(len(terminals), len(leads))
    height = TOP + rows * ROW + 18.0 * (len(situation.links) + len(situation.notes)) + 20.0
    at = {name: TOP + place * ROW for place, name in enumerate(terminals)}
    to = {name: TOP + place * ROW for place, name in enumerate(leads)}
    parts = [words_at(16, 24, f"{cell}: {situation.title}", size=14)]
    parts += [words_at(LEFT_END - 12, y + 4, name, anchor="end") for name, y in at.items()]
    for clip in situation.clips:
        dash = DASHED if clip.guessed else ""
        parts.append(
            f'<path d="M{LEFT_END:g} {at[clip.terminal]:g}L{RIGHT_END:g} {to[clip.lead]:g}"'
            f" {stroke(PLAIN, dash)}/>"
        )
    for lead, y in to.items():
        clip = next(clip for clip in situation.clips if clip.lead is lead)
        parts.append(words_at(RIGHT_END + 12, y + 4, _short(clip)))
    y = TOP + rows * ROW + 8.0
    for line in (*situation.links, *situation.notes):
        parts.append(words_at(16, y, line, size=11))
        y += 18.0
    body = "\n".join(parts)
    title = escape(f"{cell}: {situation.title}")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" '
        f'width="{WIDTH:g}" height="{height:g}" role="img">\n<title>{title}</title>\n'
        f'<rect width="{WIDTH:g}" height="{height:g}" fill="white"/>\n{body}\n</svg>\n'
    )


def text_drawing(situation: Situation) -> str:
    """Return the same as lines of text: one line for each lead."""
    together: dict[Lead, list[Clip]] = {}
    for clip in situation.clips:
        together.setdefault(clip.lead, []).append(clip)
    lines = [f"  {situation.title}"]
    for clips in together.values():
        terminals = ", ".join(clip.terminal for clip in clips)
        lines.append(f"    {terminals:<{TEXT_WIDTH}} ---- {_lead_text(clips[0])}")
    lines += [f"    link: {line}" for line in situation.links]
    lines += [f"    note: {line}" for line in situation.notes]
    return "\n".join(lines)


def _short(clip: Clip) -> str:
    """The lead as it fits beside the drawing; the evidence itself stands in the text."""
    if not clip.colour:
        return _lead_text(clip)
    return (
        f"{clip.lead}  {clip.colour}?  (guess)"
        if clip.guessed
        else (f"{clip.lead}  {clip.colour}  (ohms agree)")
    )


def _lead_text(clip: Clip) -> str:
    if not clip.colour:
        tail = "" if clip.guessed else f" ({clip.evidence})"
        return f"{clip.lead}{tail}"
    if clip.guessed:
        return f"{clip.lead}  {clip.colour}?  (guess)"
    return f"{clip.lead}  {clip.colour}  ({clip.evidence})"
