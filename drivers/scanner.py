"""A relay scanner: which channels are closed, break before make, read back after each step."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import ClassVar

from drivers.dialect import ScannerWords
from drivers.instrument import Instrument


class Scanner(Instrument):
    """Closes and opens channels, and never believes that it did."""

    kind: ClassVar[str] = "scanner"

    def close_only(self, channels: Iterable[int]) -> None:
        """Close exactly these channels: first what must not be closed is opened and read back.

        Raises RefusedError when a channel does not do as it is told.
        """
        wanted = frozenset(channels)
        self._talk.make_sure()
        closed = self.closed()
        self._open(closed - wanted, closed)
        self._prove(closed & wanted if self._words.open else frozenset(), "open")
        missing = wanted - self.closed()
        self._tell_lists(self._words.close, missing)
        self._prove(wanted, "close")

    def open_all(self) -> None:
        """Open every channel and prove it."""
        self._talk.make_sure()
        self._talk.tell(self._fill(self._words.open_all, {}))
        self._talk.check_errors([self._words.open_all])
        self._prove(frozenset(), "open")

    def closed(self) -> frozenset[int]:
        """Return the channels that are closed, as the scanner says."""
        if self._words.closed_by == "each":
            return frozenset(self._closed_one_by_one())
        text = self._talk.ask(self._fill(self._words.closed, {})).text
        listed = self._match(self._words.closed_reply, text).get("channels", "")
        return frozenset(self._numbers(listed, text))

    @property
    def _words(self) -> ScannerWords:
        assert self._dialect.scanner is not None
        return self._dialect.scanner

    def _open(self, unwanted: frozenset[int], closed: frozenset[int]) -> None:
        if not unwanted:
            return
        if self._words.open is None or unwanted == closed:
            self._talk.tell(self._fill(self._words.open_all, {}))
            self._talk.check_errors([self._words.open_all])
            return
        self._tell_lists(self._words.open, unwanted)

    def _tell_lists(self, template: str, channels: frozenset[int]) -> None:
        ordered = sorted(channels)
        for first in range(0, len(ordered), self._words.most_per_command):
            command = self._fill(
                template,
                {"list": self._list(ordered[first : first + self._words.most_per_command])},
            )
            self._talk.tell(command)
            self._talk.check_errors([command])

    def _list(self, channels: Iterable[int]) -> str:
        names = (format(channel, self._words.channel_form) for channel in channels)
        return self._words.list_form.format(channels=self._words.separator.join(names))

    def _prove(self, wanted: frozenset[int], verb: str) -> None:
        if self._words.settle_s:
            self._time.wait(self._words.settle_s)
        wrong = self.closed() ^ wanted
        if wrong:
            named = ", ".join(str(channel) for channel in sorted(wrong))
            raise self._talk.refused(f"told to {verb}, it did not: channels {named}")

    def _numbers(self, listed: str, text: str) -> Iterator[int]:
        for part in filter(None, (part.strip() for part in listed.split(","))):
            first, _, last = part.partition(":")
            if not (first.isdigit() and (last or first).isdigit()):
                self._talk.doubt()
                raise self._talk.reply_error(f"{part!r} is no channel", text)
            yield from range(int(first), int(last or first) + 1)

    def _closed_one_by_one(self) -> Iterator[int]:
        channels = self._words.channels
        for first in range(0, len(channels), self._words.most_per_command):
            part = channels[first : first + self._words.most_per_command]
            text = self._talk.ask(self._fill(self._words.closed, {"list": self._list(part)})).text
            states = [state.strip() for state in text.split(",")]
            if len(states) != len(part) or not set(states) <= {"0", "1"}:
                self._talk.doubt()
                raise self._talk.reply_error(f"{len(part)} states of 0 or 1 were expected", text)
            yield from (number for number, state in zip(part, states, strict=True) if state == "1")
