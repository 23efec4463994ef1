from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from acq.analysis.leads import LeadPair
from acq.desk.leads_file import observed, read_leads
from drivers.written_file import FileError

HEAD = "from,to,ohms"


def write(folder: Path, *lines: str) -> Path:
    path = folder / "leads.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_numbers_opens_and_bounds_are_read(tmp_path: Path) -> None:
    file = read_leads(
        write(
            tmp_path, HEAD, "# as found", "Ex+,Ex-,386.20", "Ex+,S+,open", "S+,S-,9.9E37",
            "Ex+,housing,>2e10", "shield,housing,0.4",
            "zero_mv_v,,0.412", "excitation_v,,5", "temperature_c,,21.5",
        )
    )  # fmt: skip
    seen = observed(file)
    assert seen.pairs[LeadPair.of("Ex+", "Ex-")].ohms == 386.20
    assert math.isinf(seen.pairs[LeadPair.of("Ex+", "S+")].ohms)
    assert math.isinf(seen.pairs[LeadPair.of("S+", "S-")].ohms)
    assert seen.insulation.leads_housing is not None
    assert seen.insulation.leads_housing.above
    assert seen.insulation.shield_housing is not None
    assert seen.insulation.shield_housing.ohms == 0.4
    assert seen.insulation.leads_shield is None
    assert seen.zero is not None
    assert seen.zero.ratio == pytest.approx(0.412e-3)
    assert seen.zero.excitation_volts == 5.0
    assert seen.celsius == 21.5


@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_comma_may_stand_before_the_decimals(separator: str, tmp_path: Path) -> None:
    lines = [separator.join(fields) for fields in (("from", "to", "ohms"), ("Ex+", "Ex-", "386,2"))]
    seen = observed(read_leads(write(tmp_path, *lines)))
    assert seen.pairs[LeadPair.of("Ex+", "Ex-")].ohms == 386.2


def test_the_last_digit_says_how_well_a_value_is_known(tmp_path: Path) -> None:
    rows = ("Ex+,Ex-,386.2", "S+,S-,351.204", "Ex+,S+,281")
    seen = observed(read_leads(write(tmp_path, HEAD, *rows)))
    known = [seen.pairs[LeadPair.read(name)].uncertainty for name in ("Ex+ Ex-", "S+ S-", "Ex+ S+")]
    assert known[0] == pytest.approx(0.1 / np.sqrt(12), rel=0.01)
    assert known[1] == pytest.approx(0.003, rel=0.02)
    assert known[2] == pytest.approx(1.0 / np.sqrt(12), rel=0.01)


def test_a_pair_that_stands_several_times_was_repeated(tmp_path: Path) -> None:
    rows = [f"Ex+,Ex-,{ohms}" for ohms in (386.20, 386.26, 386.14)]
    seen = observed(read_leads(write(tmp_path, HEAD, *rows)))
    pair = seen.pairs[LeadPair.of("Ex+", "Ex-")]
    assert pair.ohms == pytest.approx(386.20)
    assert pair.repeats == 3
    assert pair.deviation == pytest.approx(0.06)
    assert pair.polarity_ohms is None


def test_a_pair_with_its_leads_exchanged_is_the_other_polarity(tmp_path: Path) -> None:
    rows = ("Ex+,Ex-,400.0", "Ex-,Ex+,320.0", "Ex+,Ex-,400.2", "Ex-,Ex+,320.2")
    pair = observed(read_leads(write(tmp_path, HEAD, *rows))).pairs[LeadPair.of("Ex+", "Ex-")]
    assert pair.ohms == pytest.approx(360.1)
    assert pair.polarity_ohms == pytest.approx(80.0)
    assert pair.deviation == pytest.approx(0.1414, abs=1e-3)


def test_the_lowest_lead_to_a_screen_counts(tmp_path: Path) -> None:
    rows = ("Ex+,Ex-,386", "Ex+,shield,281.6", "S+,shield,0.5", "S-,shield,351.0")
    seen = observed(read_leads(write(tmp_path, HEAD, *rows)))
    assert seen.insulation.leads_shield is not None
    assert seen.insulation.leads_shield.ohms == 0.5
    assert seen.contacts[LeadPair.of("S+", "shield")] == 0.5


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ((), "is empty"),
        (("pair,ohms",), "the columns are from,to,ohms"),
        ((HEAD,), "has no reading"),
        ((HEAD, "Ex+,Ex-"), "line 2: needs three fields"),
        ((HEAD, "Ex+,Ex-,much"), "line 2: ohms: allowed are 351.2, open, >2e10; got 'much'"),
        ((HEAD, "Ex+,Ex-,-4"), "line 2: ohms: allowed"),
        ((HEAD, "Ex+,Ex-,nan"), "line 2: ohms: allowed"),
        ((HEAD, "Ex+,Ex+,1"), "line 2: a reading from Ex+ to itself"),
        ((HEAD, "Ex+,Ex-,386", "Ex+,S,281"), "line 3: no lead 'S'; leads are Ex+, Ex-"),
        ((HEAD, "Ex+,Ex-,386", "zero,,0.1"), "line 3: no lead under `to`; or one of zero_mv_v"),
        ((HEAD, "zero_mv_v,,0.1", "zero_mv_v,,0.2"), "line 3: zero_mv_v stands twice"),
        ((HEAD, "zero_mv_v,,open"), "line 2: a number is needed"),
    ],
)
def test_a_mistake_names_the_line_and_what_is_allowed(
    lines: tuple[str, ...], said: str, tmp_path: Path
) -> None:
    path = tmp_path / "leads.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(FileError) as caught:
        read_leads(path)
    assert said in str(caught.value)
    assert "leads.csv" in str(caught.value)


def test_a_missing_file_is_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such file"):
        read_leads(tmp_path / "none.csv")


def test_screens_alone_are_no_bridge(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no reading between two leads"):
        observed(read_leads(write(tmp_path, HEAD, "Ex+,shield,>1e9")))
