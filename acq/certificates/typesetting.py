"""Typesets a certificate: one fixed moment, the typesetter's own fonts, warnings are errors.

The same content gives the same bytes. The run is attached as JSON (PDF/A-3, ISO 19005-3).
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final, cast

from acq.errors import WrongInput

_TEMPLATE = Path(__file__).with_name("certificate.typ")
STANDARD: Final = "a-3b"
_NO_GLYPH = re.compile(r"the text `(.*)` could not be displayed")


class TypesettingError(Exception):
    """The template and the content do not fit: a mistake of ours."""


class GlyphMissing(WrongInput):
    """A text holds a letter that no font shows."""


def typeset(
    content: dict[str, Any],
    attachment: bytes,
    moment: datetime,
    drawing: str | None = None,
    figures: Sequence[str] = (),
) -> bytes:
    """Return the PDF of a certificate's content.

    `moment` becomes the document's date; `drawing` is an SVG picture of the bridge, `figures` are
    the others, in the order of the content's captions.
    Raises GlyphMissing for a letter that no font has, TypesettingError with the typesetter's
    first complaint about anything else.
    """
    files = {
        "main.typ": _template(),
        "content.json": json.dumps(content | {"drawing": drawing is not None}).encode(),
        "run.json": attachment,
        "drawing.svg": (drawing or "<svg xmlns='http://www.w3.org/2000/svg'/>").encode(),
    }
    files |= {f"figure-{number}.svg": svg.encode() for number, svg in enumerate(figures)}
    try:
        pdf, warnings = _compile(files, moment, own_fonts=True)
    except GlyphMissing:
        # a name in letters that our fonts lack: the machine's own fonts may have them
        pdf, warnings = _compile(files, moment, own_fonts=False)
    if warnings:
        raise TypesettingError(warnings[0])
    return pdf


def _compile(
    files: dict[str, bytes], moment: datetime, *, own_fonts: bool
) -> tuple[bytes, list[str]]:
    import typst

    try:
        pdf, warnings = typst.compile_with_warnings(
            cast("bytes", files),  # several files in memory: its type stub knows only one
            format="pdf",
            pdf_standards=STANDARD,
            ignore_system_fonts=own_fonts,
            timestamp=moment.replace(microsecond=0),
        )
    except typst.TypstError as error:
        if glyph := _NO_GLYPH.search(error.message):
            raise GlyphMissing(
                f"no font on this computer shows {glyph[1]}, which stands in the run; install one "
                "that does and make the certificate again"
            ) from None
        raise TypesettingError(" ".join([error.message, *error.hints])) from error
    return bytes(pdf), [warning.message for warning in warnings]


@cache
def _template() -> bytes:
    return _TEMPLATE.read_bytes()
