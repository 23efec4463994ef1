"""Limits of a cell: from which paper, with which assumption, and which one decides."""

from __future__ import annotations

import pytest

from acq.analysis.leads import LeadPair
from acq.cells.adjacent import adjacent_pair
from acq.cells.cell import Cell
from acq.cells.folder import find_cell
from acq.cells.likeness import robust_limits
from acq.cells.limit_plan import LimitPlan
from acq.cells.limits import Limits
from acq.readings.rules import Limit

INPUT = LeadPair.of("Ex+", "Ex-")


@pytest.fixture
def cell() -> Cell:
    return find_cell("B-011902")


def only_deciding(limits: tuple[Limit, ...]) -> Limit:
    (limit,) = [limit for limit in limits if limit.decides]
    return limit


def test_the_data_sheet_decides_and_the_own_sheet_is_shown_beside_it(cell: Cell) -> None:
    data, own = cell.limits.resistance(INPUT)
    assert (data.lower, data.upper, data.decides) == (373.0, 397.0, True)
    assert data.source == "data sheet BB-SB500 rev 2: input resistance"
    assert not own.decides
    assert own.source.startswith("own calibration sheet of 2023-11-27: input resistance 385.1 ohm")


def test_the_plan_lets_the_own_sheet_decide(cell: Cell) -> None:
    limits = Limits(cell, LimitPlan(decides="own calibration sheet"), temperature=24.3)
    own = only_deciding(limits.resistance(INPUT))
    # 0.5 ohm of the plan and 2 K at 0.05 %/K of 385.1 ohm
    assert own.lower == pytest.approx(385.1 - 0.5 - 0.3851)
    assert own.upper == pytest.approx(385.1 + 0.5 + 0.3851)
    assert own.reference == 385.1
    assert "2 K from the sheet's 22.3 degC" in own.source


def test_what_the_own_sheet_says_of_linearity_and_creep_stands_beside_the_type(cell: Cell) -> None:
    plan = LimitPlan(decides="own calibration sheet")
    own = only_deciding(Limits(cell, plan).of_type("hysteresis"))
    # the sheet's 0.0109 %RO, and the plan's 0.02 % about it
    assert own.reference == pytest.approx(1.09e-4)
    assert own.lower == pytest.approx(-0.91e-4)
    assert own.upper == pytest.approx(3.09e-4)
    assert "the sheet states no uncertainty, a third of that is assumed" in own.source
    # this type states no hysteresis; for want of it alone the own sheet does not decide
    assert cell.limits.of_type("hysteresis") == ()
    creep = cell.limits.of_type("creep_30_min")
    assert [each.reference for each in creep if not each.decides] == [pytest.approx(-8e-5)]
    assert all(each.reference is None for each in Limits(cell, plan).of_type("combined_error"))


def test_a_missing_sheet_leaves_the_next_source_to_decide_and_says_so(cell: Cell) -> None:
    bare = cell.model_copy(update={"calibration_sheets": ()})
    limits = Limits(bare, LimitPlan(decides="own calibration sheet"))
    assert only_deciding(limits.resistance(INPUT)).source == (
        "data sheet BB-SB500 rev 2: input resistance "
        "(decides, because there is no limit from own calibration sheet)"
    )


def test_history_and_lot_stand_beside_the_papers_and_may_decide(cell: Cell) -> None:
    lot = Limit(384.0, 386.0, "ohm", "lot of 20")
    others = {"resistance Ex+ Ex-": [("lot", lot)]}
    limits = Limits(cell, LimitPlan(decides="lot"), others=others)  # type: ignore[arg-type]
    assert only_deciding(limits.resistance(INPUT)).source == "lot of 20"
    assert len(limits.resistance(INPUT)) == 3


def test_nothing_on_the_papers_gives_no_limit(cell: Cell) -> None:
    blank = cell.data_sheet.model_copy(
        update={"zero_balance": None, "insulation_resistance": None, "output_resistance": None}
    )
    bare = cell.model_copy(update={"data_sheet": blank, "calibration_sheets": ()})
    assert bare.limits.zero_balance == ()
    assert bare.limits.insulation() == ()
    assert bare.limits.resistance(LeadPair.of("S+", "S-")) == ()
    assert bare.limits.resistance(LeadPair.of("Ex+", "S-")) == ()


# symmetrical, 350 / 700 / 1000 ohm bridges with 0.35 ohm per conductor: input, output, each pair;
# nodal analysis of four equal arms, the trade's table of healthy values rounded to 0.1 ohm
@pytest.mark.parametrize(
    ("input_", "output", "pair"),
    [(386.2, 351.2, 281.1), (762.0, 701.7, 556.4), (1107.0, 1001.7, 803.9)],
)
def test_adjacent_pairs_follow_from_input_and_output(
    input_: float, output: float, pair: float
) -> None:
    low, high = adjacent_pair(
        (input_, input_), (output, output), 0.35, "symmetrical", LeadPair.of("Ex+", "S+").one
    )
    assert low == high
    assert low == pytest.approx(pair, abs=0.3)  # half an ohm of rounding in the input


def test_one_sided_compensation_lifts_the_pairs_of_its_side() -> None:
    # arms 350, 35 ohm in one leg, 0.35 ohm conductors: 298.6 and 263.6 ohm in the trade's table
    arguments = ((386.0, 386.0), (351.0, 351.0), 0.35)
    plus, minus = LeadPair.of("Ex+", "S+").one, LeadPair.of("Ex-", "S+").one
    assert adjacent_pair(*arguments, "one-sided Ex+", plus)[0] == pytest.approx(298.6, abs=0.5)
    assert adjacent_pair(*arguments, "one-sided Ex+", minus)[0] == pytest.approx(263.6, abs=0.5)
    either = adjacent_pair(*arguments, "unknown", plus)
    assert either[0] == adjacent_pair(*arguments, "one-sided Ex-", plus)[0]
    assert either[1] == adjacent_pair(*arguments, "one-sided Ex-", minus)[1]


def test_the_widest_pair_is_made_of_opposite_ends_where_they_pull_apart() -> None:
    # Rin - Rout/4: lowest with the lowest input and the highest output
    plus, minus = LeadPair.of("Ex+", "S+").one, LeadPair.of("Ex-", "S+").one
    ends = ((373.0, 397.0), (349.0, 353.0), 0.0)
    assert adjacent_pair(*ends, "one-sided Ex+", plus) == (284.75, 309.75)
    assert adjacent_pair(*ends, "one-sided Ex+", minus) == (261.75, 264.75)
    assert adjacent_pair(*ends, "symmetrical", plus) == (273.75, 286.75)
    assert adjacent_pair(*ends, "none", plus) == (261.75, 264.75)


def test_derived_limits_state_their_assumption(cell: Cell) -> None:
    limit = only_deciding(cell.limits.resistance(LeadPair.of("Ex+", "S-")))
    assert "derived from input and output resistance, equal arms, symmetrical" in limit.source
    assert limit.lower is not None
    assert limit.upper is not None
    assert limit.lower < 280.6 < limit.upper


def test_pairs_through_sense_leads_have_the_limits_of_their_excitation_leads(cell: Cell) -> None:
    limits = cell.limits
    assert limits.resistance(LeadPair.of("Se+", "Se-")) == limits.resistance(INPUT)
    through = limits.resistance(LeadPair.of("Se-", "S+"))
    assert through == limits.resistance(LeadPair.of("Ex-", "S+"))
    loop = only_deciding(limits.resistance(LeadPair.of("Ex+", "Se+")))
    # 5 m of 0.25 mm2 copper twice: 0.70 ohm
    assert loop.lower is not None
    assert loop.lower < 0.70 < (loop.upper or 0.0)


def test_an_insulation_limit_names_its_voltage(cell: Cell) -> None:
    assert only_deciding(cell.limits.insulation()).source.endswith("insulation resistance at 50 V")
    at_100 = cell.data_sheet.model_copy(update={"insulation_voltage": 100.0})
    other = cell.model_copy(update={"data_sheet": at_100})
    text = only_deciding(other.limits.insulation()).source
    assert text.endswith("at 100 V, tested at 50 V")


def test_shield_to_housing_is_judged_only_where_they_are_apart_by_design(cell: Cell) -> None:
    plan = LimitPlan(shield_insulation_ohms=1e9)
    apart = Limits(cell, plan).insulation("shield to housing")
    assert only_deciding(apart).lower == 1e9
    assert Limits(find_cell("C-003358"), plan).insulation("shield to housing") == ()


def test_the_supply_current_follows_from_the_input_resistance(cell: Cell) -> None:
    limit = only_deciding(cell.limits.supply_current(10.0))
    assert (limit.lower, limit.upper) == pytest.approx((10.0 / 397.0, 10.0 / 373.0))


def test_lot_limits_shrug_off_the_outlier_they_are_made_to_find() -> None:
    values = [385.0, 385.1, 384.9, 385.2, 384.8, 385.0, 391.0]
    limit = robust_limits(values, 4.0, "ohm", "lot 7")
    assert limit is not None
    assert limit.upper is not None
    assert limit.upper < 386.0
    assert limit.source == "lot 7: 7 values, ± 4 robust sigma"
    assert robust_limits(values[:4], 4.0, "ohm", "lot 7") is None
