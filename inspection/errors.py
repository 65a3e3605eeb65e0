"""Refusals of this room; see `parts.errors.Refusal`."""

from parts.errors import Refusal


class InspectionRefusal(Refusal):
    """A scan, a measurement or an instrument cannot be taken or changed like this."""
