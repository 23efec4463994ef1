"""The text of a PDF's pages, read from the file itself: content streams and ToUnicode maps.

ISO 32000-1, 9.4 (text operators) and 9.10.3 (ToUnicode CMaps). Enough for what is tested here.
"""

from __future__ import annotations

import io
import re
from typing import Any

import pikepdf

_CHAR = re.compile(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>")
_RANGE = re.compile(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>")


def pages(pdf: bytes) -> list[str]:
    """Return the text of each page, without spaces between words or lines."""
    with pikepdf.open(io.BytesIO(pdf)) as document:
        return [_text(page) for page in document.pages]


def _text(page: Any) -> str:
    fonts = {str(name): _to_unicode(font) for name, font in page.Resources.Font.items()}
    told: list[str] = []
    current: dict[int, str] = {}
    for instruction in pikepdf.parse_content_stream(page):
        operands: Any = instruction.operands
        match str(instruction.operator):
            case "Tf":
                current = fonts[str(operands[0])]
            case "Tj":
                told.append(_decoded(bytes(operands[0]), current))
            case "TJ":
                strings = [part for part in operands[0] if isinstance(part, pikepdf.String)]
                told += [_decoded(bytes(part), current) for part in strings]
    return re.sub(r"\s+", "", "".join(told))


def _decoded(data: bytes, table: dict[int, str]) -> str:
    codes = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    return "".join(table.get(code, "\N{REPLACEMENT CHARACTER}") for code in codes)


def _to_unicode(font: Any) -> dict[int, str]:
    table: dict[int, str] = {}
    cmap = font.ToUnicode.read_bytes()
    for block in re.findall(rb"beginbfchar(.*?)endbfchar", cmap, re.S):
        for code, text in _CHAR.findall(block):
            table[int(code, 16)] = bytes.fromhex(text.decode()).decode("utf-16-be")
    for block in re.findall(rb"beginbfrange(.*?)endbfrange", cmap, re.S):
        for first, last, text in _RANGE.findall(block):
            start = int(text, 16)
            for number in range(int(first, 16), int(last, 16) + 1):
                table[number] = chr(start + number - int(first, 16))
    return table
