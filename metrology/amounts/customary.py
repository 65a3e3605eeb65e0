"""Units of the trade where people work in feet and pounds."""

from metrology.amounts.quantities import FEET_INCHES

# What a person who works in feet and pounds expects for each unit that a calculation works in.
US_UNITS: dict[str, str] = {
    "mm": FEET_INCHES, "cm": FEET_INCHES, "m": "ft", "km": "ft", "m²": "ft²", "cm²": "in²", "mm²": "in²", "m³": "ft³",
    "L": "US gal", "cm³": "in³", "mm³": "in³", "kg": "lb", "g": "oz", "t": "short ton", "N": "lbf", "kN": "lbf",
    "MPa": "psi", "kPa": "psf", "GPa": "ksi", "kg/m³": "lb/ft³", "g/cm³": "lb/ft³", "kN/m³": "lbf/ft³", "°C": "°F",
    "°C·h": "°F·h", "m/s": "mph", "km/h": "mph", "m/h": "ft/h", "kg/m²·h": "lb/ft²·h",
}  # fmt: skip
