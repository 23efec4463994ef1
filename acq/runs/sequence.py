"""What a sequence is: a script with the roles it needs and the plan that steers it.

Sequences are found by the entry-point group `bridgebench.sequences`, or by the path of a Python
file. `acq` never imports the package `sequences`.
"""

from __future__ import annotations

import difflib
import importlib.util
import inspect
import sys
from collections.abc import Callable
from collections.abc import Sequence as Listed
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acq.cells.cell import Cell
from acq.cells.subject import Subject
from acq.errors import WrongInput
from acq.runs.fit_for_use import CheckOfTheDay
from drivers.written_file import FileError, Written, read_file

if TYPE_CHECKING:
    from acq.runs.run import Run

_GROUP = "bridgebench.sequences"


class Plan(Written):
    """Base of every plan: which checks, points, rules, limits and waits a sequence uses."""

    name: str = ""
    description: str = ""
    check_of_the_day: CheckOfTheDay | None = None


@dataclass(frozen=True, slots=True)
class Sequence:
    """One script, the roles it needs on the bench and the kind of plan that it reads."""

    name: str
    script: Callable[[Run[Any]], None]
    roles: Listed[str]
    plan: type[Plan]
    plans: Path  # the folder of the plans that are shipped with it
    default_plan: str
    optional: Listed[str] = ()  # roles that are used where the bench has them
    default_scenario: str = "healthy"  # of the simulated bench
    subject: type[Subject] = Cell  # what it is run on

    @property
    def description(self) -> str:
        return inspect.getdoc(self.script) or ""

    def read_plan(self, name: str) -> Plan:
        """Return a plan by its shipped name or by the path of a TOML file.

        Raises WrongInput that names the nearest plans, FileError for a wrong file.
        """
        path = Path(name)
        if path.suffix != ".toml":
            path = self.plans / f"{name}.toml"
            if not path.exists():
                known = sorted(each.stem for each in self.plans.glob("*.toml"))
                raise WrongInput(f"no plan {name!r}; shipped are {', '.join(known)}")
        plan = read_file(path, self.plan)
        return plan if plan.name else plan.model_copy(update={"name": path.stem})


def sequence(
    *,
    roles: Listed[str],
    plan: type[Plan],
    plans: Path,
    default_plan: str,
    default_scenario: str = "healthy",
    name: str = "",
    optional: Listed[str] = (),
    subject: type[Subject] = Cell,
) -> Callable[[Callable[[Run[Any]], None]], Sequence]:
    """Turn a script into a sequence; the name is the function's, with hyphens."""

    def wrap(script: Callable[[Run[Any]], None]) -> Sequence:
        shown = name or script.__name__.replace("_", "-")
        more = tuple(optional), default_scenario, subject
        return Sequence(shown, script, tuple(roles), plan, plans, default_plan, *more)

    return wrap


def find_sequence(name: str) -> Sequence:
    """Return a sequence by its name, or from `path/to/script.py` or `path/to/script.py:name`.

    Raises WrongInput with the nearest names when there is none.
    """
    if ".py" in name:
        return _from_file(name)
    known = {point.name: point for point in entry_points(group=_GROUP)}
    if name in known:
        return _checked(known[name].load(), name)
    raise WrongInput(f"no sequence {name!r}; {_near(name, known)}")


def sequence_names() -> list[str]:
    return sorted(point.name for point in entry_points(group=_GROUP))


def _near(name: str, known: dict[str, EntryPoint]) -> str:
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.4)
    return f"near it: {', '.join(near)}" if near else f"there are {', '.join(sorted(known))}"


def _from_file(where: str) -> Sequence:
    path_text, _, wanted = where.partition(".py:")
    path = Path(path_text if wanted else where)
    path = path.with_suffix(".py") if wanted else path
    if not path.is_file():
        raise FileError(path, "", "no such file")
    spec = importlib.util.spec_from_file_location(f"bridgebench_script_{path.stem}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    try:
        spec.loader.exec_module(module)
    except Exception as error:
        raise FileError(path, "", f"cannot be loaded: {type(error).__name__}: {error}") from error
    found = {s.name: s for s in vars(module).values() if isinstance(s, Sequence)}
    if wanted in found:
        return found[wanted]
    if not wanted and len(found) == 1:
        return next(iter(found.values()))
    names = ", ".join(sorted(found)) or "none"
    raise FileError(path, wanted, f"name one of its sequences as {path}:NAME (it has: {names})")


def _checked(loaded: object, name: str) -> Sequence:
    if not isinstance(loaded, Sequence):
        raise WrongInput(f"sequence {name!r} is not made with @sequence")
    return loaded
