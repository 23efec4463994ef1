"""Draws the page of `bridgebench live` for the README, from a run on the simulated bench.

python -m tests.acq.desk.live_picture .readme/live.svg
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from acq.desk.weighing_view import page
from acq.runs.control_socket import Told
from tests.conducting import Trial
from tests.readme_pictures import recording, save

WIDTH = 96
LIVE = Path(__file__).parents[2] / "live.toml"


class Script:
    """A person who orders one thing after another, each at its bench second; keeps the pages."""

    def __init__(self, orders: Mapping[float, str]) -> None:
        self.orders = sorted(orders.items())
        self.pictures: list[Mapping[str, Any]] = []
        self.said: list[str] = []
        self._began_ns: int | None = None

    def show(self, picture: Mapping[str, Any]) -> None:
        """Keep what is shown."""
        at_ns = int(picture.get("at_ns", 0))
        self._began_ns = at_ns if self._began_ns is None else self._began_ns
        self.pictures.append(picture)
        if picture.get("said") and (not self.said or self.said[-1] != picture["said"]):
            self.said.append(str(picture["said"]))

    def order(self) -> Told | None:
        """Return the next order when its second has come."""
        if self._began_ns is None or not self.orders:
            return None
        since_s = (int(self.pictures[-1]["at_ns"]) - self._began_ns) / 1e9
        if since_s < self.orders[0][0]:
            return None
        return Told("answer", "technician", self.orders.pop(0)[1])


def main(target: Path) -> None:
    """Weigh 250 kg on a simulated cell and draw the page at the end."""
    script = Script({4.0: "zero because mounting plate", 5.0: "load 250 kg", 60.0: "quit"})
    with tempfile.TemporaryDirectory() as folder:
        Trial.new(Path(folder) / "SIM-live").conduct(plan="live", sequence="live", desk=script)
    picture = next(p for p in reversed(script.pictures) if p["state"] == "stable")
    console = recording(WIDTH)
    console.print(page(picture, WIDTH))
    save(console, target, "live")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
