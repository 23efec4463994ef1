"""Who watches a run that goes on reading: is shown what is read, says what is to be done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from acq.runs.control_socket import Told


class LiveDesk(Protocol):
    """A terminal, a pipe, or a list of orders. Nothing here waits."""

    def show(self, picture: Mapping[str, Any]) -> None:
        """Show what is so now; the keys are those of the script that reads."""
        ...

    def order(self) -> Told | None:
        """Return the oldest order that nobody has obeyed yet (`answer` with its text)."""
        ...


class NobodyThere:
    """Sees nothing and says nothing."""

    def show(self, picture: Mapping[str, Any]) -> None:
        """Nobody looks."""

    def order(self) -> Told | None:
        """Nobody speaks."""
        return None
