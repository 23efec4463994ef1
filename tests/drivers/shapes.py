"""Dialects for tests, written as a person writes them: TOML text."""

from __future__ import annotations

import tomllib

from drivers.dialect import Dialect, load_dialect
from drivers.written_file import check

# One quantity, asked for by READ?; tables added behind it extend it.
METER = """
role = "dmm"
about = "a meter for tests"
[quantities.dc-voltage]
unit = "V"
[quantities.dc-voltage.reading]
ask = "READ?"
reply = "(?P<value>{number})"
"""


def dialect(text: str) -> Dialect:
    """Return a dialect from the text of its file."""
    return check("test.toml", tomllib.loads(text), Dialect)


def quick(name: str) -> Dialect:
    """Return a shipped dialect that is less patient: what is late here is late in milliseconds."""
    shipped = load_dialect(name)
    patience = {"reply_s": 0.5, "longest_reply_s": 0.6}
    return shipped.model_copy(update={"link": shipped.link.model_copy(update=patience)})


def meter(link: str = "", more: str = "") -> Dialect:
    """Return the one-quantity meter with keys of [link] and further tables."""
    quick = "reply_s = 0.4\nlongest_reply_s = 0.6\n"
    if "reply_s" in link:
        quick = ""
    return dialect(f"{METER}\n{more}\n[link]\n{quick}{link}\n")
