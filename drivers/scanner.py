"""A relay scanner: which channels are closed, break before make, read back after each step."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import ClassVar

from drivers.dialect_parts import ScannerWords
from drivers.instrument import Instrument


class Scanner(Instrument):
    """Closes and opens channels, and never believes that it did."""

    kinds: ClassVar[frozenset[str]] = frozenset({"scanner"})

    def close_only(self, channels: Iterable[int]) -> None:
        """Close exactly these channels: first what must not be closed is opened and read back.

        Raises RefusedError when a channel does not do as it is told.
        """
        wanted = frozenset(channels)
        self._check_known(wanted)
        self._talk.make_sure()
        with self._talk.unbroken():
            closed = self.closed()
            kept = self._open(closed - wanted, closed)
            self._prove(kept, "open")
            self._tell_lists(self._words.close, wanted - kept)
            self._prove(wanted, "close")

    def open_all(self) -> None:
        """Open every channel and prove it."""
        self._talk.make_sure()
        self._tell_open_all()
        self._prove(frozenset(), "open")

    def closed(self) -> frozenset[int]:
        """Return the channels that are closed, as the scanner says."""
        if self._words.closed_by == "each":
            return frozenset(self._closed_one_by_one())
        command = self._steps.fill(self._words.closed, self._steps.words())
        text = self._steps.ask_state(command, self._words.closed_reply.lines)
        listed = self._steps.match(self._words.closed_reply, text).get("channels", "")
        return frozenset(self._numbers(listed, text))

    @property
    def _words(self) -> ScannerWords:
        assert self._dialect.scanner is not None
        return self._dialect.scanner

    def _check_known(self, wanted: frozenset[int]) -> None:
        known = self._words.channels
        unknown = sorted(wanted - set(known)) if known else []
        if unknown:
            raise self._talk.cannot(f"it has no channels {', '.join(map(str, unknown))}")

    def _open(self, unwanted: frozenset[int], closed: frozenset[int]) -> frozenset[int]:
        """Open what must not stay closed; return what is still closed by intention."""
        if not unwanted:
            return closed
        if self._words.open is None or unwanted == closed:
            self._tell_open_all()
            return frozenset()
        self._tell_lists(self._words.open, unwanted)
        return closed - unwanted

    def _tell_open_all(self) -> None:
        command = self._steps.fill(self._words.open_all, self._steps.words())
        self._talk.tell(command)
        self._talk.check_errors([command])

    def _tell_lists(self, template: str, channels: frozenset[int]) -> None:
        for part in self._parts(sorted(channels)):
            command = self._steps.fill(template, self._steps.words({"list": self._list(part)}))
            self._talk.tell(command)
            self._talk.check_errors([command])

    def _parts(self, channels: Sequence[int]) -> Iterator[Sequence[int]]:
        most = self._words.most_per_command
        return (channels[first : first + most] for first in range(0, len(channels), most))

    def _list(self, channels: Iterable[int]) -> str:
        names = (
            self._words.channel_form.format(
                channel=channel, card=channel // 100, place=channel % 100
            )
            for channel in channels
        )
        return self._words.list_form.format(channels=self._words.separator.join(names))

    def _prove(self, wanted: frozenset[int], verb: str) -> None:
        if self._words.settle_s:
            self._time.wait(self._words.settle_s)
        wrong = self.closed() ^ wanted
        if wrong:
            named = ", ".join(str(channel) for channel in sorted(wrong))
            raise self._talk.refused(f"told to {verb}, it did not: channels {named}")

    def _numbers(self, listed: str, text: str) -> Iterator[int]:
        for part in filter(None, (part.strip() for part in listed.split(self._words.separator))):
            first, _, last = part.partition(":")
            yield from range(self._number(first, text), self._number(last or first, text) + 1)

    def _number(self, name: str, text: str) -> int:
        match = re.fullmatch(self._words.channel_pattern, name.strip())
        if match is None:
            self._talk.doubt()
            raise self._talk.reply_error(f"{name!r} is no channel", text)
        groups = match.groupdict()
        if "channel" in groups:
            return int(groups["channel"])
        return 100 * int(groups["card"]) + int(groups["place"])

    def _closed_one_by_one(self) -> Iterator[int]:
        for part in self._parts(self._words.channels):
            words = self._steps.words({"list": self._list(part)})
            text = self._steps.ask_state(self._steps.fill(self._words.closed, words))
            states = [state.strip() for state in text.split(",")]
            if len(states) != len(part) or not set(states) <= {"0", "1"}:
                self._talk.doubt()
                raise self._talk.reply_error(f"{len(part)} states of 0 or 1 were expected", text)
            yield from (number for number, state in zip(part, states, strict=True) if state == "1")
