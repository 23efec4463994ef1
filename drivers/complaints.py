"""What an instrument says about what it was told: errors, acknowledgements, refusals. No I/O."""

from __future__ import annotations

from drivers.dialect import Dialect
from drivers.reply import NotThisReplyError
from drivers.scpi import BLANKS, ErrorEntry


def error_entry(dialect: Dialect, text: str) -> ErrorEntry | None:
    """Return one reply to the question for errors, None when it says that there is none.

    Raises NotThisReplyError.
    """
    words = dialect.errors
    assert words is not None
    fields = words.reply.match(text)
    code = fields.get("code", text)
    if code in words.none:
        return None
    if not code.lstrip("+-").isdigit():
        return ErrorEntry(-1, code)
    number = int(code) & words.mask if words.kind == "register" else int(code)
    return ErrorEntry(number, fields.get("text", "").strip(BLANKS)) if number else None


def refusal(dialect: Dialect, text: str) -> str | None:
    """Return in words why the instrument says no, None when this line is not a refusal."""
    words = dialect.refusal
    found = None if words is None else words.reply.expression.fullmatch(text.strip(BLANKS))
    if words is None or found is None:
        return None
    meaning = words.meanings.get(found.groupdict().get("code") or "", "")
    said = text.strip(BLANKS)
    return f"{said}: {meaning}" if meaning else said


def not_acknowledged(dialect: Dialect, text: str) -> str | None:
    """Return why a reply is not the acknowledgement of a command, None when it is."""
    assert dialect.acknowledgement is not None
    try:
        dialect.acknowledgement.match(text)
    except NotThisReplyError as error:
        return str(error)
    return None
