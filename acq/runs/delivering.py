"""A run's way into the records: at each closed check, and whole at its end.

The journal is on the disk before; what the records lack comes later, so a failure stops no run.
"""

from __future__ import annotations

import time

from acq.errors import BenchFailure
from acq.records.records import Records
from acq.runs.journal import Journal, Line
from acq.runs.lot_journals import is_lot, piece_journals

_REST = 20.0  # times what a failure took: waiting is at most a twentieth of a run


class Delivery:
    """Delivers one journal; `failed` says why it is not in the records yet."""

    def __init__(self, records: Records, journal: Journal) -> None:
        self._records, self._journal = records, journal
        self._not_before = 0.0
        self._pieces_failed = ""
        self.failed = ""

    def see(self, line: Line) -> None:
        """Deliver at a closed check; a server that has failed is tried again at a later one.

        How much later is in proportion to what the failure took: one that refuses at once is
        tried at every check, one that does not answer seldom.
        """
        if line.what != "check-closed" or time.monotonic() < self._not_before:
            return
        began = time.monotonic()
        try:
            self._records.deliver([each.raw for each in self._journal.lines])
            self.failed = ""
        except BenchFailure as error:
            self.failed = str(error)
            ended = time.monotonic()
            self._not_before = ended + _REST * (ended - began)

    def close(self) -> None:
        """Deliver the whole of a closed journal."""
        try:
            self._records.close_run([line.raw for line in self._journal.lines])
            self.failed = self._pieces_failed
        except BenchFailure as error:
            self.failed = str(error)

    def close_pieces(self) -> None:
        """Give each piece of a finished lot its record: before the lot is closed, so that a kill
        between loses none. Nothing for another journal."""
        if not is_lot(self._journal.lines[0].content):
            return
        try:
            for piece in piece_journals(self._journal.lines):
                self._records.close_run(piece.lines)
        except BenchFailure as error:
            self._pieces_failed = str(error)
