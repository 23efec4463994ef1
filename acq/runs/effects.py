"""What a finished check did, and the answers that its replay gets.

Replay works on effects: each thing a script learns from outside (a reading, an answer, the
date) is journalled before the script uses it. Inside a finished check every effect must equal
the journal's next one and is answered from it, raised errors included.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from acq.errors import RepeatAsked, Skipped, WrongInput
from acq.runs.journal import Line, plain
from drivers import errors as instrument_errors
from drivers.errors import InstrumentError


class ScriptDiffers(WrongInput):
    """The script does not do what the journal says it did: exit code 2, with the line."""

    def __init__(self, line: int, reason: str) -> None:
        self.line = line
        super().__init__(f"script differs at line {line} of the journal: {reason}")


class SkippedBefore(Skipped):
    """The check was skipped here, by whom and why as its closing line says."""

    def __init__(self, because: str) -> None:
        super().__init__("", "")
        self.args = (because,)


@dataclass(frozen=True, slots=True)
class Needs:
    """What a check's result needs to stay true while the run is interrupted."""

    powered: bool = False  # the excitation must not have been off since
    mounted: bool = False  # nobody may have taken the cell off since
    minutes: float | None = None  # older than this it is measured again

    def as_json(self) -> dict[str, Any]:
        return {"powered": self.powered, "mounted": self.mounted, "minutes": self.minutes}


@dataclass(slots=True)
class FinishedCheck:
    """One closed check of the journal: its effects and findings, in order."""

    key: str
    lines: Sequence[Line]
    closing: Line
    expired: str = ""  # why its result no longer holds, empty while it does
    position: int = 0

    @property
    def needs(self) -> Mapping[str, Any]:
        """What the result needs to stay true."""
        needs: Mapping[str, Any] = self.closing.content.get("needs") or {}
        return needs

    def next(self, kind: str, ask: Any) -> Line:
        """Return the journal's line for this effect; raises ScriptDiffers when it is another."""
        if self.position >= len(self.lines):
            if self.closing.content.get("state") == "skipped":
                raise SkippedBefore(str(self.closing.content["because"]))
            raise ScriptDiffers(
                self.closing.number, f"{self.key} ended here, the script asks {kind} {ask!r}"
            )
        line = self.lines[self.position]
        self.position += 1
        was = (line.content["kind"], line.content["ask"])
        if was != (kind, plain(ask)):
            raise ScriptDiffers(
                line.number, f"{self.key} had {was[0]} {was[1]!r}, the script asks {kind} {ask!r}"
            )
        return line

    def end(self) -> None:
        """Raise ScriptDiffers when the journal holds more than the script asked."""
        if self.position != len(self.lines):
            line = self.lines[self.position]
            raise ScriptDiffers(
                line.number, f"{self.key} went on here, the script closes the check"
            )


@dataclass(slots=True)
class Past:
    """What a journal says was finished, in the order in which it was."""

    finished: dict[str, FinishedCheck] = field(default_factory=dict)
    order: list[str] = field(default_factory=list)
    asked: dict[str, str] = field(default_factory=dict)
    """Checks that a person wants repeated and that have not been since, each with the reason."""
    attempt: int = 1

    def cannot_repeat(self, check: str) -> str:
        """Return why a check cannot be measured again, and what is near it; empty: it can."""
        if check in self.finished:
            return ""
        near = difflib.get_close_matches(check, self.finished, n=3, cutoff=0.3)
        told = "; ".join(near or list(self.finished)) or "none yet"
        return (
            f"no finished check {check!r} to repeat; {'nearest' if near else 'there are'}: {told}"
        )

    def take(self, key: str) -> FinishedCheck | None:
        """Return the finished check that the script opens now, None when it is new.

        Raises ScriptDiffers when the journal finished another check at this place.
        """
        if not self.order:
            return None
        expected = self.finished[self.order[0]]
        if expected.key != key:
            where = expected.lines[0].number if expected.lines else expected.closing.number
            raise ScriptDiffers(where, f"{expected.key} was done here, the script opens {key}")
        self.order.pop(0)
        return expected

    def expire(self, now_ns: int, repeat: RepeatAsked | None = None) -> None:
        """Mark what no longer holds after an interruption, and all that was built on it.

        `repeat` names a check that a person wants measured again.

        Powered results are only lost while the block that needs them was not left: those at the
        end of the journal. From the first expired check on everything is measured again, since
        later checks may have used it.
        """
        checks = [self.finished[key] for key in self.order]
        because = ""
        powered_from = _trailing(checks)
        for place, finished in enumerate(checks):
            age_minutes = (now_ns - int(finished.closing.content["t"])) / 60e9
            allowed = finished.needs.get("minutes")
            if not because:
                because = self.asked.get(finished.key, "")
            if not because and repeat is not None and finished.key == repeat.check:
                because = repeat.because
            if not because and allowed is not None and age_minutes > allowed:
                because = f"{finished.key} is {age_minutes:.0f} min old"
            if not because and place >= powered_from:
                because = "the excitation was off since"
            finished.expired = because


def _trailing(checks: Sequence[FinishedCheck]) -> int:
    """Return where the powered checks begin that stand at the end."""
    place = len(checks)
    while place and checks[place - 1].needs.get("powered"):
        place -= 1
    return place


def past_of(lines: Iterable[Line]) -> Past:
    """Read from a journal which checks are finished, each by its latest attempt."""
    past = Past()
    running: dict[str, list[Line]] = {}
    for line in lines:
        match line.what:
            case "opened":
                past.attempt = 1
            case "resumed":
                past.attempt = int(line.content["attempt"])
                past.asked |= line.content.get("repeat") or {}
                running.clear()
            case "check-opened":
                running[line.content["check"]] = []
            case "effect":
                running[line.content["check"]].append(line)
            case "check-closed":
                key = line.content["check"]
                if key not in past.finished:
                    past.order.append(key)
                past.finished[key] = FinishedCheck(key, running.pop(key, []), line)
                past.asked.pop(key, None)
    return past


def unfinished(past: Past) -> Mapping[str, FinishedCheck]:
    """Finished checks that the script never opened; empty when it did all of them."""
    return {key: past.finished[key] for key in past.order}


def refuse_leftovers(past: Past) -> None:
    """Raises ScriptDiffers when the script ended before checks that the journal finished."""
    for check in unfinished(past).values():
        line = check.lines[0] if check.lines else check.closing
        raise ScriptDiffers(line.number, f"{check.key} was done here, the script ended before it")


def error_as_json(error: InstrumentError) -> dict[str, Any]:
    """What the journal keeps of an instrument's failure; the resource (a port) stays out."""
    return {
        "type": type(error).__name__,
        "role": error.role,
        "reason": error.reason,
        "sent": error.sent.decode("latin-1"),
        "received": error.received.decode("latin-1"),
    }


def error_from_json(content: Mapping[str, Any]) -> InstrumentError:
    """Return the failure as it was raised."""
    kind: type[InstrumentError] = getattr(instrument_errors, content["type"])
    return kind(
        content["role"],
        "its resource",
        content["reason"],
        sent=content["sent"].encode("latin-1"),
        received=content["received"].encode("latin-1"),
    )
