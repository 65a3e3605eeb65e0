"""Form fields that every room uses for numbers."""

import copy
import re
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from metrology.amounts.entries import WRITE_IT, read_amount, read_number
from metrology.amounts.feet_inches import write_length
from metrology.amounts.quantities import FEET_INCHES, convert, dimension_of
from metrology.errors import UnitError

from . import units_in_use
from .limits import shown

PLAIN_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
BLANKS = re.compile(r"[\s\u00a0\u2009\u202f]+")
MINUS_SIGNS = str.maketrans({"\u2212": "-", "\u2013": "-"})


def read_decimal(text: str) -> Decimal:
    """A number as people write it, with a decimal point or a decimal comma. Raises ValueError."""
    plain = BLANKS.sub("", text).translate(MINUS_SIGNS)
    if not PLAIN_NUMBER.fullmatch(plain):
        raise ValueError(text)
    return Decimal(plain.replace(",", "."))


class DecimalCommaField(forms.DecimalField):
    """A decimal number that may be written with a point or a comma, and with a unit behind it.

    min_value, max_value, max_digits and decimal_places as for DecimalField, all in `kept_unit`, in which the field
    cleans. A bare figure is in `unit`, the unit in use by the person (see units_in_use), or in `kept_unit` where the
    field is `fixed`: coordinates that a view fills in. A figure in another unit is rounded to decimal_places.
    """

    widget = forms.TextInput

    def __init__(
        self, *, unit: str = "", fixed: bool = False, min_value: Any = None, max_value: Any = None, **kwargs: Any
    ) -> None:
        self.kept_unit = unit
        self.typed_unit = unit if fixed else ""
        self.unit_elsewhere = False  # another field of the form says it
        super().__init__(**kwargs)
        self.min_value, self.max_value = min_value, max_value
        if "required" not in (kwargs.get("error_messages") or {}):
            self.error_messages["required"] = f"Give a number. {WRITE_IT}"

    @property
    def unit(self) -> str:
        """What a bare figure is in; shown beside the field."""
        return self.typed_unit or units_in_use.current().unit_for(self.kept_unit)

    def to_python(self, value: Any) -> Decimal | None:
        if value in self.empty_values:
            return None
        if isinstance(value, Decimal):
            return value
        text = str(value).strip()
        try:
            number, exact = self._read(text)
        except UnitError as error:
            raise ValidationError(error.sentence, code=error.code) from None
        if self.decimal_places is not None and -number.as_tuple().exponent > self.decimal_places:
            step = Decimal(1).scaleb(-self.decimal_places)
            # Zeros at the end say nothing that would be lost.
            if exact and -number.normalize().as_tuple().exponent > self.decimal_places:
                raise ValidationError(f"Write at most {self.decimal_places} decimals.", code="max_decimal_places")
            number = number.quantize(step, ROUND_HALF_EVEN)
        if self.max_digits is not None:
            whole = self.max_digits - (self.decimal_places or 0)
            if number and number.adjusted() >= whole:
                raise ValidationError(
                    f"“{text[:40]}” is too large: at most {whole} digits before the point.", code="max_whole_digits"
                )
        return number

    def _read(self, text: str) -> tuple[Decimal, bool]:
        """The figure in the unit kept, and whether it is just what was typed. Raises UnitError."""
        unit = self.unit
        bare = text.removesuffix(self.kept_unit).rstrip() if self.kept_unit else text
        plain = BLANKS.sub("", bare).translate(MINUS_SIGNS)
        if PLAIN_NUMBER.fullmatch(plain) and (bare != text or unit == self.kept_unit):
            read_number(plain)  # 1,500 is refused
            return Decimal(plain.replace(",", ".")), True
        if not self._has_units():
            if not PLAIN_NUMBER.fullmatch(plain):
                shown_text, hint = text[:40], WRITE_IT
                if "," in text and "." in text:
                    hint = f"Leave out the mark between thousands. {WRITE_IT}"
                raise UnitError("not-a-number", f"“{shown_text}” is not a number. {hint}")
            return Decimal(plain.replace(",", ".")), True
        return Decimal(repr(read_amount(text, unit, self.kept_unit))), False

    def _has_units(self) -> bool:
        try:
            dimension_of(self.kept_unit)
        except UnitError:
            return False
        return True

    def run_validators(self, value: Any) -> None:
        super().run_validators(value)
        if value in self.empty_values:
            return
        tail = f"\u00a0{self.unit}" if self.unit and self.unit != FEET_INCHES else ""
        if self.min_value is not None and value < self.min_value:
            least = self._written(Decimal(str(self.min_value)))
            raise ValidationError(f"Too low: write {least}{tail} or more.", code="min_value")
        if self.max_value is not None and value > self.max_value:
            most = self._written(Decimal(str(self.max_value)))
            raise ValidationError(f"Too high: write {most}{tail} or less.", code="max_value")

    def _written(self, value: Decimal) -> str:
        """A figure as one would type it into this field, in no more digits than bring back what is kept."""
        unit = self.unit
        if unit == self.kept_unit:
            return shown(value)
        if unit == FEET_INCHES:
            return write_length(float(value), decimals=5)
        figure = convert(float(value), self.kept_unit, unit)
        step = Decimal(1).scaleb(-(6 if self.decimal_places is None else self.decimal_places))
        text = ""
        for digits in range(1, 16):
            text = f"{figure:.{digits}g}"
            back = Decimal(repr(convert(float(text), unit, self.kept_unit)))
            if back.quantize(step, ROUND_HALF_EVEN) == value.quantize(step, ROUND_HALF_EVEN):
                break
        return shown(Decimal(text))

    def prepare_value(self, value: Any) -> Any:
        """A stored number without trailing zeros in the unit in use; what the person typed just as they typed it."""
        if isinstance(value, int | float):
            value = Decimal(repr(value))
        if not isinstance(value, Decimal):
            return value
        return format(value.normalize(), "f") if self.unit == self.kept_unit else self._written(value)

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        # No type, min, max or step: a browser's number box refuses the comma and loses what was typed.
        return {"inputmode": "decimal", "autocomplete": "off"}

    def get_bound_field(self, form: forms.BaseForm, field_name: str) -> forms.BoundField:
        if self.unit == FEET_INCHES:  # a keypad of figures lacks the marks
            self.widget.attrs["inputmode"] = "text"
        return super().get_bound_field(form, field_name)

    def has_changed(self, initial: Any, data: Any) -> bool:
        try:
            return self.to_python(initial) != self.to_python(data)
        except ValidationError:
            return True


class ToleranceField(forms.CharField):
    """A tolerance about a nominal: "0.5", "±0,5" or "+0.5/−0.2". Cleans to (below, above), both as signed numbers.

    figure: reads each part, with its unit.
    """

    TWO = re.compile(r"([+-]?)(.+?)\s*[/;]?\s*([+-])(.+)")

    def __init__(self, *, unit: str = "", **kwargs: Any) -> None:
        self.figure = DecimalCommaField(unit=unit, max_digits=14, decimal_places=4)
        super().__init__(**kwargs)

    def __deepcopy__(self, memo: dict[int, Any]) -> "ToleranceField":
        copied = super().__deepcopy__(memo)
        copied.figure = copy.deepcopy(self.figure, memo)
        return copied

    def clean(self, value: Any) -> tuple[Decimal, Decimal] | None:
        text = super().clean(value)
        plain = text.translate(MINUS_SIGNS).replace("+/-", "±").strip()
        if not plain:
            return None
        both = self.TWO.fullmatch(plain)
        try:
            if both and not plain.startswith("±"):
                signs = (both[1] or "+") + both[3]
                if signs not in ("+-", "-+"):
                    raise ValidationError("same side twice")
                parts = {"+": "", "-": "", both[1] or "+": both[2], both[3]: both[4]}
                above, below = (self.figure.to_python(parts[sign].strip()) for sign in "+-")
                return -below, above
            half = self.figure.to_python(plain.removeprefix("±").strip())
        except ValidationError as fault:
            if fault.code in ("ambiguous-number", "ambiguous-length", "unknown-unit", "max_decimal_places"):
                raise
            half = None
        except TypeError:  # one of the two parts is empty
            half = None
        if half is None or half < 0:
            raise ValidationError(
                f"“{text[:40]}” is not a tolerance. Write 0.5, 0,5 or +0.5/\u22120.2.", code="invalid"
            )
        return -half, half
