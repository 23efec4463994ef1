"""The limits of a cell, each with where it comes from; the plan says which one decides.

Sources: the data sheet of the type, the cell's own calibration sheet, its history, its lot.
Where the plan's source has no limit the next one decides, and its text says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

from acq.analysis.leads import INPUT, OUTPUT, Lead, LeadPair
from acq.cells.adjacent import Interval, adjacent_pair
from acq.cells.cell import Cell
from acq.cells.limit_plan import ORDER, LimitPlan, Source
from acq.cells.span import Span
from acq.errors import WrongInput
from acq.readings.rules import Limit
from acq.readings.units import format_value

Found = tuple[Source, Limit]
CHARACTERISTICS = ("non_linearity", "hysteresis", "repeatability", "creep_30_min", "zero_return")
"""What a cell's own sheet may state as fractions of the output."""


class Limits:
    """Limits of one cell under one plan.

    `temperature` (degC) is the bench's, None when not known. `others` are limits from history or
    lot by quantity, named as the findings are: "resistance Ex+ Ex-", "zero balance".
    Every method returns all limits there are; exactly one of them decides. Nothing known: ().
    """

    def __init__(
        self,
        cell: Cell,
        plan: LimitPlan | None = None,
        *,
        temperature: float | None = None,
        others: Mapping[str, Sequence[Found]] | None = None,
    ) -> None:
        self._cell = cell
        self._plan = plan or LimitPlan()
        self._temperature = temperature
        self._others = others or {}

    def resistance(self, pair: LeadPair) -> tuple[Limit, ...]:
        """Return the limits of one pair of leads in ohm, sense leads included."""
        seen = _through_sense(pair)
        if seen is None:
            return self._pick(f"resistance {pair}", self._sense_loop())
        if seen == INPUT:
            found = self._stated("input")
        elif seen == OUTPUT:
            found = self._stated("output")
        else:
            found = self._derived(seen)
        return self._pick(f"resistance {pair}", found)

    @property
    def zero_balance(self) -> tuple[Limit, ...]:
        """Limits of the output without load, V/V."""
        found = self._from_sheet(self._cell.data_sheet.zero_balance, "V/V", "zero balance")
        sheet, rated = self._cell.sheet, self._cell.rated_output
        if sheet is not None and sheet.zero_balance is not None and rated is not None:
            plan = self._plan
            allowed = abs(rated) * plan.own_sheet_zero_percent / 100.0
            text = f"{plan.own_sheet_zero_percent:g} %RO allowed ({plan.own_sheet_zero_source})"
            uncertainty = sheet.zero_balance_uncertainty
            found += self._own(
                "zero balance", sheet.zero_balance, allowed, "V/V", uncertainty, text
            )
        return self._pick("zero balance", found)

    @property
    def rated_output(self) -> tuple[Limit, ...]:
        """Limits of the rated output, V/V."""
        found = self._from_sheet(self._cell.data_sheet.rated_output, "V/V", "rated output")
        sheet, plan = self._cell.sheet, self._plan
        if sheet is not None and sheet.rated_output is not None:
            allowed = abs(sheet.rated_output) * plan.own_sheet_output_percent / 100.0
            text = f"{plan.own_sheet_output_percent:g} % allowed ({plan.own_sheet_output_source})"
            uncertainty = sheet.rated_output_uncertainty
            found += self._own(
                "rated output", sheet.rated_output, allowed, "V/V", uncertainty, text
            )
        return self._pick("rated output", found)

    @property
    def shunt_output(self) -> tuple[Limit, ...]:
        """Limits of the change of output with the calibration resistor, V/V."""
        shunt, sheet, plan = self._cell.data_sheet.shunt, self._cell.sheet, self._plan
        span = None if shunt is None else shunt.output
        found = self._from_sheet(span, "V/V", "shunt output")
        if sheet is not None and sheet.shunt_output is not None:
            allowed = abs(sheet.shunt_output) * plan.own_sheet_shunt_percent / 100.0
            text = f"{plan.own_sheet_shunt_percent:g} % allowed ({plan.own_sheet_shunt_source})"
            U = sheet.shunt_output_uncertainty
            found += self._own("shunt output", sheet.shunt_output, allowed, "V/V", U, text)
        return self._pick("shunt output", found)

    def insulation(self, path: str = "leads to housing") -> tuple[Limit, ...]:
        """Return the limits of an insulation resistance in ohm.

        A limit stated at another voltage than the test's is marked in its source.
        """
        sheet, plan = self._cell.data_sheet, self._plan
        if path == "shield to housing":
            return self._shield()
        found = self._from_sheet(sheet.insulation_resistance, "ohm", "insulation resistance")
        if found:
            volts = sheet.insulation_voltage
            stated = "at a voltage not stated" if volts is None else f"at {volts:g} V"
            if volts is not None and volts != self._cell.insulation_voltage:
                stated += f", tested at {self._cell.insulation_voltage:g} V"
            kind, limit = found[0]
            found = [(kind, replace(limit, source=f"{limit.source} {stated}"))]
        elif plan.insulation_ohms is not None:
            source = f"plan: insulation resistance ({plan.insulation_source})"
            found = [("data sheet", Limit(plan.insulation_ohms, None, "ohm", source))]
        return self._pick(f"insulation {path}", found)

    def supply_current(self, volts: float) -> tuple[Limit, ...]:
        """Return the limits of the supply current in A at this excitation: I = U / Rin."""
        limits = []
        for limit in self.resistance(INPUT):
            if limit.lower and limit.upper:
                source = f"{limit.source}, as current at {volts:g} V"
                low, high = volts / limit.upper, volts / limit.lower
                limits.append(Limit(low, high, "A", source, limit.decides))
        return tuple(limits)

    def of_type(self, key: str) -> tuple[Limit, ...]:
        """Return the limits of a fraction such as "creep_30_min": the data sheet's as ± a fraction.

        What the cell's own sheet found stands beside it, with the sign that it states, and decides
        where the plan says so: never for want of another, since few sheets state its U.
        """
        value, name = getattr(self._cell.data_sheet, key), key.replace("_", " ")
        if value is not None and not isinstance(value, float):
            raise TypeError(f"{key} is not a fraction of the rated output")
        found: list[Found] = []
        if value is not None:
            found = self._from_sheet(Span(0.0, -abs(value), abs(value)), "1", name)
        if found or self._plan.decides == "own calibration sheet":
            found += self._own_characteristic(key, name)
        return self._pick(name, found)

    def own_characteristic(self, key: str) -> tuple[Limit, ...]:
        """Return the limit about what the own sheet says of a fraction; () where it does not."""
        return tuple(limit for _, limit in self._own_characteristic(key, key.replace("_", " ")))

    def _own_characteristic(self, key: str, name: str) -> list[Found]:
        sheet, plan = self._cell.sheet, self._plan
        value = getattr(sheet, key) if sheet is not None and key in CHARACTERISTICS else None
        if sheet is None or value is None:
            return []
        allowed = plan.own_sheet_characteristic_percent / 100.0
        text = (
            f"{plan.own_sheet_characteristic_percent:g} % of the output allowed"
            f" ({plan.own_sheet_characteristic_source})"
        )
        return self._own(name, value, allowed, "1", sheet.characteristics_uncertainty, text)

    # sources

    def _from_sheet(self, span: Span | None, unit: str, what: str) -> list[Found]:
        if span is None or not span.limited:
            return []
        source = f"{self._cell.data_sheet.name}: {what}"
        return [("data sheet", Limit(span.lower, span.upper, unit, source))]

    def _own(
        self, what: str, value: float, allowed: float, unit: str, U: float | None, text: str
    ) -> list[Found]:
        """Return the limit about a value of the own sheet, with every assumption in its text."""
        sheet = self._cell.sheet
        assert sheet is not None
        if U is None:
            text += "; the sheet states no uncertainty, a third of that is assumed"
        source = f"{sheet.name}: {what} {format_value(value, unit)}, {text}"
        reference_U = allowed / 3.0 if U is None else U
        limit = Limit(value - allowed, value + allowed, unit, source, True, value, reference_U)
        return [("own calibration sheet", limit)]

    def _stated(self, which: Literal["input", "output"]) -> list[Found]:
        sheet, own = self._cell.data_sheet, self._cell.sheet
        span = sheet.input_resistance if which == "input" else sheet.output_resistance
        found = self._from_sheet(span, "ohm", f"{which} resistance")
        if own is None:
            return found
        value = own.input_resistance if which == "input" else own.output_resistance
        if value is None:
            return found
        allowed, text = self._allowed_ohms(which, value)
        U = own.resistance_uncertainty
        return found + self._own(f"{which} resistance", value, allowed, "ohm", U, text)

    def _allowed_ohms(self, which: Literal["input", "output"], value: float) -> tuple[float, str]:
        plan, own = self._plan, self._cell.sheet
        assert own is not None
        percent = (
            plan.input_percent_per_kelvin if which == "input" else plan.output_percent_per_kelvin
        )
        if own.temperature is None or self._temperature is None:
            kelvins = plan.unknown_temperature_kelvins
            whose = "sheet" if own.temperature is None else "bench"
            why = f"{kelvins:g} K assumed, the {whose}'s temperature is not known"
        else:
            kelvins = abs(own.temperature - self._temperature)
            why = f"{kelvins:.3g} K from the sheet's {own.temperature:g} degC"
        drift = value * percent / 100.0 * kelvins
        text = (
            f"{plan.own_sheet_ohms:g} ohm allowed ({plan.own_sheet_ohms_source}) and "
            f"{drift:.2g} ohm for {why} at {percent:g} %/K ({plan.temperature_source})"
        )
        return plan.own_sheet_ohms + drift, text

    def _derived(self, pair: LeadPair) -> list[Found]:
        """Return limits of an adjacent pair from those of input and output resistance."""
        inputs, outputs = dict(self._stated("input")), dict(self._stated("output"))
        found: list[Found] = []
        for kind in ORDER:
            input_, output = _ends(inputs.get(kind)), _ends(outputs.get(kind))
            if input_ is not None and output is not None:
                found.append((kind, self._adjacent(pair, input_, output, kind)))
        return found

    def _adjacent(self, pair: LeadPair, input_: Interval, output: Interval, kind: Source) -> Limit:
        layout = self._cell.data_sheet.compensation.layout
        lead_ohms, plan = self._cell.lead_ohms or 0.0, self._plan
        low, high = adjacent_pair(input_, output, lead_ohms, layout, _excitation(pair))
        # an arm is trimmed by as much as the zero balance is off: Rin x0 / 2 on each pair
        zero = self._cell.data_sheet.zero_balance
        trim = input_[1] * max(abs(zero.lower or 0.0), abs(zero.upper or 0.0)) / 2 if zero else 0.0
        margin = plan.derived_pair_ohms + trim
        sheet = self._cell.sheet
        name = self._cell.data_sheet.name if kind == "data sheet" or sheet is None else sheet.name
        source = (
            f"{name}: derived from input and output resistance, equal arms, {layout} "
            f"compensation {'(any layout allowed)' if layout == 'unknown' else 'assumed'}, "
            f"{plan.derived_pair_ohms:g} ohm allowed ({plan.derived_pair_source})"
        )
        return Limit(low - margin, high + margin, "ohm", source)

    def _sense_loop(self) -> list[Found]:
        lead_ohms, plan = self._cell.lead_ohms, self._plan
        if lead_ohms is None:
            return []
        loop = 2.0 * lead_ohms
        margin = loop * plan.sense_loop_percent / 100.0 + plan.sense_loop_ohms
        source = (
            f"{self._cell.data_sheet.name}: two conductors of the cable, {loop:.3g} ohm, "
            f"{margin:.2g} ohm allowed ({plan.sense_loop_source})"
        )
        low = max(0.0, loop - loop * plan.sense_loop_percent / 100.0)
        return [("data sheet", Limit(low, loop + margin, "ohm", source))]

    def _shield(self) -> tuple[Limit, ...]:
        """Shield to housing is only judged where the papers say that they are apart."""
        plan = self._plan
        ohms = plan.shield_insulation_ohms
        if self._cell.data_sheet.shield_to_housing != "not connected" or ohms is None:
            return ()
        source = f"plan: shield not connected to the housing ({plan.shield_insulation_source})"
        found: list[Found] = [("data sheet", Limit(ohms, None, "ohm", source))]
        return self._pick("insulation shield to housing", found)

    # which one decides

    def _pick(self, name: str, found: list[Found]) -> tuple[Limit, ...]:
        every = found + list(self._others.get(name, ()))
        if not every:
            return ()
        wanted = self._plan.decides
        order = (wanted, *(kind for kind in ORDER if kind != wanted))
        deciding = min(range(len(every)), key=lambda i: order.index(every[i][0]))
        return tuple(
            replace(limit, decides=i == deciding, source=_told(limit, kind, wanted, i == deciding))
            for i, (kind, limit) in enumerate(every)
        )


def _told(limit: Limit, kind: Source, wanted: Source, deciding: bool) -> str:
    if deciding and kind != wanted:
        return f"{limit.source} (decides, because there is no limit from {wanted})"
    return limit.source


def _ends(limit: Limit | None) -> Interval | None:
    if limit is None or limit.lower is None or limit.upper is None:
        return None
    return limit.lower, limit.upper


def _through_sense(pair: LeadPair) -> LeadPair | None:
    """Return the pair with sense leads replaced by their excitation leads; None for a loop."""
    as_excitation = {Lead.SE_PLUS: Lead.EX_PLUS, Lead.SE_MINUS: Lead.EX_MINUS}
    one = as_excitation.get(pair.one, pair.one)
    other = as_excitation.get(pair.other, pair.other)
    return None if one is other else LeadPair.of(one, other)


def _excitation(pair: LeadPair) -> Lead:
    return Lead.EX_PLUS if Lead.EX_PLUS in pair else Lead.EX_MINUS


def limits_named(limits: Limits, name: str) -> tuple[Limit, ...]:
    """Return limits by the name that findings have: "zero balance", "resistance Ex+ S-", ...

    Raises WrongInput that tells the names there are.
    """
    if name in ("zero balance", "rated output", "shunt output"):
        found: tuple[Limit, ...] = getattr(limits, name.replace(" ", "_"))
        return found
    kind, _, rest = name.partition(" ")
    if kind == "insulation":
        return limits.insulation(rest or "leads to housing")
    if kind == "resistance":
        try:
            return limits.resistance(LeadPair.read(rest))
        except ValueError as error:
            raise WrongInput(f"{name!r}: {error}") from None
    names = "zero balance, rated output, insulation leads to housing, resistance Ex+ Ex-"
    raise WrongInput(f"no limits of {name!r}: such names are {names}")
