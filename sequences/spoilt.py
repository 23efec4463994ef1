"""How a load test ends early: spoilt by a load that went too far, or stopped under load."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from acq.errors import Stopped, WrongInput

if TYPE_CHECKING:
    from sequences.rig import AtRig


class Spoilt(Exception):  # noqa: N818  (a run that is measured again is no error)
    """This run cannot be saved: a load went where it must not go, and the cell remembers."""


@contextmanager
def told_if_loaded(rig: AtRig) -> Iterator[None]:
    """Whoever stops a run is told when a load is still on; a test that is spoilt ends with why."""
    try:
        yield
    except Spoilt as spoilt:
        raise WrongInput(
            f"{spoilt}: the cell remembers it, so this test is spoilt; take every load off, look"
            " at rig and cell, and run it again"
        ) from spoilt
    except Stopped as stop:
        if rig.load > rig.minimum:
            raise Stopped(
                f"{stop}; THE LOAD IS STILL ON, about {rig.load:.4g} {rig.capacity.unit}:"
                " take it off before anything else is touched"
            ) from stop
        raise
