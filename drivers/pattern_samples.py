"""Texts that a pattern fits, and whether it leaves every digit to the group that it belongs to.

A reply that is taken apart wrongly is a wrong number without any error: `.*(?P<value>\\d+) OHM`
reads 350 OHM as 0. So each pattern is tried on texts made from itself when a dialect is read.
"""

from __future__ import annotations

import importlib
import itertools
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any

# Python's own parser of patterns; its tree has kept its names since 3.11
_PARSE: Callable[..., Any] = importlib.import_module("re._parser").parse

_OTHERS = "x0-Z ~_\t"  # tried where nearly any sign may stand
_OF_CATEGORY = {
    "CATEGORY_DIGIT": "01359",
    "CATEGORY_SPACE": " ",
    "CATEGORY_WORD": "A0",
    "CATEGORY_NOT_DIGIT": "x ",
    "CATEGORY_NOT_SPACE": "x0",
    "CATEGORY_NOT_WORD": " -",
}
_LARGEST_CLASS = 20  # of more signs only the ends of each range are taken
_MORE_DIGITS = "35"
_NUMBER = re.compile(r"[+-]?\d[\d.,]*")
_CHECKED_BY_TABLES = frozenset({"unit", "prefix", "status", "scale"})


def samples(expression: re.Pattern[str]) -> tuple[str, ...]:
    """Return texts that the pattern matches in full: each of its alternatives in one at least."""
    found = _sequence(list(_PARSE(expression.pattern, expression.flags)))
    return tuple(text for text in dict.fromkeys(found) if expression.fullmatch(text))


def divided_number(
    expression: re.Pattern[str], reads: Callable[[str], bool]
) -> tuple[str, str, str] | None:
    """Return (text, group, what the group takes of it) where a number would lose digits or sign.

    `reads` tells whether a text that matches is taken for a reading at all.
    """
    names = [name for name in expression.groupindex if name not in _CHECKED_BY_TABLES]
    for text, name in itertools.product(samples(expression), names):
        match = expression.fullmatch(text)
        if match is None or not _NUMBER.fullmatch(match[name] or ""):
            continue
        for longer, whole in _longer(text, *match.span(name)):
            again = expression.fullmatch(longer)
            if again is None or not again[name] or not reads(longer):
                continue
            after = longer[again.end(name) :]
            if again[name] != whole or after[:1].isdigit():
                return longer, name, again[name]
    return None


def _longer(text: str, start: int, end: int) -> Iterator[tuple[str, str]]:
    """Yield the text with more digits, or a sign, at its number; and the whole number then."""
    number = text[start:end]
    sign = 1 if number[0] in "+-" else 0
    longer = [
        number[:sign] + _MORE_DIGITS + number[sign:],
        number + _MORE_DIGITS,
        *([] if sign else ["-" + number]),
    ]
    for whole in longer:
        yield text[:start] + whole + text[end:], whole


def _sequence(items: Sequence[Any]) -> list[str]:
    """Return the first of each item joined, and then each other of every item in its turn."""
    parts = [_item(operation, argument) or [""] for operation, argument in items]
    first = [part[0] for part in parts]
    found = ["".join(first)]
    for place, part in enumerate(parts):
        found += ["".join([*first[:place], other, *first[place + 1 :]]) for other in part[1:]]
    return found


def _item(operation: Any, argument: Any) -> list[str]:
    match str(operation):
        case "LITERAL":
            return [chr(argument)]
        case "ANY":
            return list(_OTHERS[:2])
        case "NOT_LITERAL":
            return [sign for sign in _OTHERS if ord(sign) != argument][:2]
        case "IN":
            return _one_of(argument)
        case "BRANCH":
            return [text for branch in argument[1] for text in _sequence(list(branch))]
        case "SUBPATTERN":
            return _sequence(list(argument[-1]))
        case "ATOMIC_GROUP":
            return _sequence(list(argument))
        case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
            return _repeated(*argument)
    return [""]  # what stands at a place, and takes nothing


def _repeated(least: int, most: int, inner: Any) -> list[str]:
    once = _sequence(list(inner))
    if int(most) == 0:
        return [""]
    found = ["", *once] if least == 0 else [text * least for text in once]
    return [*found, once[0] * (least + 1)] if int(most) > max(least, 1) else found


def _one_of(items: Sequence[Any]) -> list[str]:
    if str(items[0][0]) == "NEGATE":
        excluded = _all_of(items[1:])
        return [sign for sign in _OTHERS if sign not in excluded][:2]
    return _all_of(items)


def _all_of(items: Sequence[Any]) -> list[str]:
    found: list[str] = []
    for operation, argument in items:
        match str(operation):
            case "LITERAL":
                found.append(chr(argument))
            case "RANGE":
                low, high = argument
                small = high - low < _LARGEST_CLASS
                found += [chr(each) for each in (range(low, high + 1) if small else (low, high))]
            case "CATEGORY":
                found += _OF_CATEGORY[str(argument)]
    return found
