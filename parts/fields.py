"""Form fields that every room uses for numbers."""

import re
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from .limits import shown

PLAIN_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
BLANKS = re.compile(r"[\s\u00a0\u2009\u202f]+")
MINUS_SIGNS = str.maketrans({"\u2212": "-", "\u2013": "-"})
WRITE_IT = "Write 0.35 or 0,35."


def read_decimal(text: str) -> Decimal:
    """A number as people write it, with a decimal point or a decimal comma. Raises ValueError."""
    plain = BLANKS.sub("", text).translate(MINUS_SIGNS)
    if not PLAIN_NUMBER.fullmatch(plain):
        raise ValueError(text)
    return Decimal(plain.replace(",", "."))


class DecimalCommaField(forms.DecimalField):
    """A decimal number that may be written with a point or a comma.

    min_value, max_value, max_digits and decimal_places as for DecimalField; unit is shown in the messages.
    """

    widget = forms.TextInput

    def __init__(self, *, unit: str = "", **kwargs: Any) -> None:
        self.unit = unit
        super().__init__(**kwargs)
        tail = f"\u00a0{unit}".replace("%", "%%") if unit else ""  # the message is a format
        if "required" not in (kwargs.get("error_messages") or {}):
            self.error_messages["required"] = f"Give a number. {WRITE_IT}"
        for validator in self.validators:
            match getattr(validator, "code", ""):
                case "min_value":
                    validator.message = f"Too low: write {shown(Decimal(str(self.min_value)))}{tail} or more."
                case "max_value":
                    validator.message = f"Too high: write {shown(Decimal(str(self.max_value)))}{tail} or less."

    def to_python(self, value: Any) -> Decimal | None:
        if value in self.empty_values:
            return None
        if isinstance(value, Decimal):
            return value
        text = str(value).strip()
        try:
            number = read_decimal(text)
        except ValueError:
            hint = WRITE_IT
            if "," in text and "." in text:
                hint = f"Leave out the mark between thousands. {WRITE_IT}"
            raise ValidationError(f"“{text[:40]}” is not a number. {hint}", code="invalid") from None
        if self.decimal_places is not None and -number.as_tuple().exponent > self.decimal_places:
            # Zeros at the end say nothing that would be lost.
            trimmed = number.normalize()
            if -trimmed.as_tuple().exponent > self.decimal_places:
                raise ValidationError(f"Write at most {self.decimal_places} decimals.", code="max_decimal_places")
            number = trimmed.quantize(Decimal(1).scaleb(-self.decimal_places))
        if self.max_digits is not None:
            whole = self.max_digits - (self.decimal_places or 0)
            if number and number.adjusted() >= whole:
                raise ValidationError(
                    f"“{text[:40]}” is too large: at most {whole} digits before the point.", code="max_whole_digits"
                )
        return number

    def prepare_value(self, value: Any) -> Any:
        """A stored number without trailing zeros; what the person typed just as they typed it."""
        return format(value.normalize(), "f") if isinstance(value, Decimal) else value

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        # No type, min, max or step: a browser's number box refuses the comma and loses what was typed.
        return {"inputmode": "decimal", "autocomplete": "off"}

    def has_changed(self, initial: Any, data: Any) -> bool:
        try:
            return self.to_python(initial) != self.to_python(data)
        except ValidationError:
            return True


class ToleranceField(forms.CharField):
    """A tolerance about a nominal: "0.5", "±0,5" or "+0.5/−0.2". Cleans to (below, above), both as signed numbers."""

    TWO = re.compile(r"\+?([\d.,]+)[/;]?-([\d.,]+)|-([\d.,]+)[/;]?\+([\d.,]+)")

    def clean(self, value: Any) -> tuple[Decimal, Decimal] | None:
        text = super().clean(value)
        plain = BLANKS.sub("", text).translate(MINUS_SIGNS).replace("+/-", "±")
        if not plain:
            return None
        try:
            both = self.TWO.fullmatch(plain)
            if both:
                above, below = both[1] or both[4], both[2] or both[3]
                return -read_decimal(below), read_decimal(above)
            half = read_decimal(plain.removeprefix("±"))
        except ValueError:
            half = Decimal(-1)
        if half < 0:
            raise ValidationError(f"“{text[:40]}” is not a tolerance. Write 0.5, 0,5 or +0.5/−0.2.", code="invalid")
        return -half, half
