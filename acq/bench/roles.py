"""The instruments of an opened bench by role: opened, known by name, switched off, closed."""

from __future__ import annotations

import re
from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.bench.by_hand import HandInstrument, HandSource, HandSupply, HandTester
from acq.bench.hands import Hands
from acq.bench.instruments import Instrument, instrument_by_hand, open_instrument
from acq.errors import BenchFailure, Stopped
from drivers.errors import InstrumentError, ReplyError
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.source import Source
from drivers.supply import Supply
from drivers.time import Time

_FIRST_OFF = ("insulation", "supply", "source", "scanner")
"""What is most dangerous to a hand first."""
_Switched = InsulationTester | Supply | Source | Scanner | HandSource


class Roles:
    """Opens roles one by one; what is open stays open until `close`."""

    def __init__(self, file: BenchFile, folder: Path, time: Time, hands: Hands) -> None:
        self._file, self._folder, self._time, self._hands = file, folder, time, hands
        self._open: dict[str, Instrument | HandInstrument] = {}
        self.identities: dict[str, str] = {}

    def open(self, role: str) -> None:
        """Open one role and prove that it is the instrument of the bench file.

        Raises BenchFailure when the bench file has no such role, InstrumentError for its link.
        """
        entry = self._file.instruments.get(role)
        if entry is None:
            raise BenchFailure(f"bench {self._file.name!r} has no {role}; add it to the bench file")
        if entry.by_hand:
            self._open_by_hand(role)
            return
        instrument = open_instrument(self._file, role, self._folder, self._time)
        self._open[role] = instrument
        said = prove_identity(self._file, role, instrument)
        self.identities[role] = said

    def get(self, role: str) -> Instrument | HandInstrument | None:
        return self._open.get(role)

    def relays(self) -> Scanner | None:
        scanner = self._open.get("scanner")
        return scanner if isinstance(scanner, Scanner) else None

    def supply(self) -> Supply | HandSupply:
        """Raises BenchFailure when there is none."""
        supply = self._open.get("supply")
        if not isinstance(supply, Supply | HandSupply):
            raise BenchFailure("the bench has no supply")
        return supply

    def tester(self) -> InsulationTester | HandTester:
        """Raises BenchFailure when there is none."""
        tester = self._open.get("insulation")
        if not isinstance(tester, InsulationTester | HandTester):
            raise BenchFailure("the bench has no insulation tester")
        return tester

    def source(self) -> Source:
        """Raises BenchFailure when there is none with a link."""
        source = self._open.get("source")
        if not isinstance(source, Source):
            raise BenchFailure("the bench has no source with a link")
        return source

    def make_safe(self, *, by_hand: bool = True) -> None:
        """Switch off everything and prove it; `by_hand`: what a person must switch as well.

        Raises the first failure after having tried all; one of a person's instruments wins,
        because nobody else can switch it off.
        """
        failures: list[Exception] = []
        unproven = []
        for role in _FIRST_OFF:
            instrument = self._open.get(role)
            if isinstance(instrument, HandSource) and not by_hand:
                continue
            try:
                if isinstance(instrument, _Switched):
                    instrument.safe_off()
            except InstrumentError as error:
                failures.append(error)
            except (BenchFailure, Stopped) as error:
                if isinstance(instrument, HandSource):
                    unproven.append(role)
                else:  # the guardian has links of its own
                    failures.append(BenchFailure(f"{role} is not proven off from here: {error}"))
        if unproven:
            raise NotOffByHand(unproven)
        if failures:
            raise failures[0]

    def close(self) -> None:
        """Close every link."""
        for instrument in self._open.values():
            instrument.close()
        self._open.clear()

    def _open_by_hand(self, role: str) -> None:
        # a scanner without a link is no scanner: the joins are clipped
        if role != "scanner":
            self._open[role] = instrument_by_hand(role, self._hands, self._time)


class NotOffByHand(BenchFailure):
    """A person's instrument is not proven off, and no process can switch it off."""

    def __init__(self, roles: list[str]) -> None:
        super().__init__(
            f"{' and '.join(roles)} NOT PROVEN OFF: switch off at the panel before touching a lead"
        )


def prove_identity(file: BenchFile, role: str, instrument: Instrument) -> str:
    """Return the identification; raises ReplyError when it is not the bench file's."""
    entry = file.instruments[role]
    said = instrument.identify()
    if entry.identity and not re.fullmatch(entry.identity, said):
        raise ReplyError(
            role,
            entry.resource,
            f"it is not the instrument of the bench file (identity {entry.identity!r})",
            received=said.encode("latin-1", errors="replace"),
        )
    return said
