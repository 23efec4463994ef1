"""All four packages must come from one folder: a stranger's `drivers/` would shadow ours."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from acq.errors import WrongInput

PACKAGES = ("acq", "drivers", "sequences", "simulated_bench")


def refuse_strange_packages() -> None:
    """Raises WrongInput that names the package which comes from elsewhere."""
    home = Path(__file__).resolve().parents[2]
    for name in PACKAGES:
        spec = find_spec(name)
        places = (
            [Path(place).resolve() for place in (spec.submodule_search_locations or [])]
            if (spec)
            else []
        )
        if places != [home / name]:
            where = places[0] if places else "nowhere"
            raise WrongInput(
                f"package {name!r} comes from {where}, not from {home}: rename that folder, or"
                " start bridgebench elsewhere (tests of your own: pytest --import-mode=importlib)"
            )
