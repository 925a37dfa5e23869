"""Keys of the configuration that hold a quantity, and the base of its tables.

A string of number and unit becomes SI; in a file a bare number is refused.
"""

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationInfo

from acquire.units import Kind, UnitError, Water, parse_quantity


def _quantity(kind: Kind) -> BeforeValidator:
    def read(value: object, info: ValidationInfo) -> object:
        if isinstance(value, str):
            water: Water = (info.context or {}).get("water", "conventional")
            return parse_quantity(value, kind, water)
        if isinstance(value, (int, float)) and not isinstance(value, bool) and (info.context or {}).get("text", False):
            raise UnitError(f"{value} has no unit: write a string such as {value!s} followed by one")
        return value

    return BeforeValidator(read)


Pressure = Annotated[float, _quantity("pressure")]
Length = Annotated[float, _quantity("length")]
Flow = Annotated[float, _quantity("flow")]
Volume = Annotated[float, _quantity("volume")]
Area = Annotated[float, _quantity("area")]
Temperature = Annotated[float, _quantity("temperature")]
Humidity = Annotated[float, _quantity("humidity")]
Seconds = Annotated[float, _quantity("time")]
Ratio = Annotated[float, _quantity("ratio")]
Angle = Annotated[float, _quantity("angle")]


class Table(BaseModel):
    """Base of every table of the file: frozen, unknown keys and numbers that are not finite refused.

    As JSON a number that is not finite stays visible (``NaN``) and never turns into an empty value.
    """

    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False, ser_json_inf_nan="constants"
    )
