"""What a run watches until it has happened: a load that comes, a swing that dies away."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from acq.readings.reading import Reading


class Watcher(Protocol):
    """Sees one reading after another and says when that is enough.

    `because` is why it still waits, for the person at the rig.
    """

    every_s: float
    because: str

    def see(self, reading: Reading) -> bool:
        """Take one more reading; true when nothing more needs to be seen."""
        ...

    def seen(self) -> Mapping[str, Any]:
        """Return what was seen, as the journal keeps it."""
        ...

    def as_json(self) -> Mapping[str, Any]:
        """Return what is watched for, as the journal keeps it."""
        ...
