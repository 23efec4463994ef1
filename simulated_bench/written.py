"""What every table of a scenario file has in common, and the bounds of its numbers."""

from __future__ import annotations

from typing import Annotated, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

LONGEST_S = 1e9
"""Some thirty years: a longer time in a scenario is a slip of the pen."""
COLDEST, HOTTEST = -60.0, 150.0
"""degC that a bench or a cell on it may meet: an oven, a freezer."""

Ohms = Annotated[float, Field(ge=1e-9, le=1e18)]
Seconds = Annotated[float, Field(ge=0, le=LONGEST_S)]


class Written(BaseModel):
    """Base of every table of a scenario file: frozen, unknown keys are mistakes, numbers finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _a_number_is_written_as_one(cls, value: object, info: ValidationInfo) -> object:
        """`true` and "5" are no numbers."""
        kinds = _kinds(cls.model_fields[info.field_name or ""].annotation)
        if isinstance(value, bool | str) and kinds & {int, float} and type(value) not in kinds:
            raise ValueError(f"a number is needed, got {value!r}")
        return value


def _kinds(annotation: object) -> set[object]:
    """Return the types in an annotation such as `Annotated[float, ...] | None`."""
    inner = get_args(annotation)
    return {kind for each in inner for kind in _kinds(each)} if inner else {annotation}
