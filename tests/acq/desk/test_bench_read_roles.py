"""`bench read` of every role that a bench can have, by its link and by a person."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from acq.desk.command_line import run_command

ROLES = ("second-dmm", "source", "thermometer", "hygrometer", "barometer", "reference-indicator")
ASKED = [
    ("dmm", "dc-voltage", "V"),
    ("dmm", "resistance", "ohm"),
    ("second-dmm", "dc-voltage", "V"),
    ("supply", "voltage", "V"),
    ("supply", "current", "A"),
    ("source", "dc-voltage", "V"),
    ("thermometer", "temperature", "degC"),
    ("hygrometer", "relative-humidity", "percent"),
    ("barometer", "pressure", "Pa"),
    ("reference-indicator", "force", "N"),
]


def scenario(folder: Path, *, by_hand: bool) -> Path:
    more = "by_hand = true\n" if by_hand else ""
    path = folder / "every-role.toml"
    names = (*ROLES, "dmm", "supply", "insulation") if by_hand else ROLES
    tables = "".join(f"[instruments.{name}]\n{more}" for name in names)
    path.write_text(f'title = "every role on one bench"\n{tables}')
    return path


@pytest.mark.parametrize("by_hand", [False, True], ids=["link", "by hand"])
@pytest.mark.parametrize(("role", "quantity", "unit"), ASKED)
def test_every_role_is_read_with_unit_uncertainty_and_raw_text(
    role: str,
    quantity: str,
    unit: str,
    by_hand: bool,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench = ("--simulated", "--scenario", str(scenario(tmp_path, by_hand=by_hand)), "--json")
    code = run_command(["bench", "read", role, quantity, *bench])
    out, err = capsys.readouterr()
    assert code == 0, err
    document = json.loads(out)
    assert (document["quantity"], document["unit"]) == (quantity, unit)
    assert document["raw"]
    if document["limit"] is None:  # ohms of nothing are open
        assert document["standard_uncertainty"] > 0.0
        assert document["corrected"] == document["value"]
