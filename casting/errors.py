"""Refusals of this room; see `parts.errors.Refusal`."""

from parts.errors import Refusal


class CastingRefusal(Refusal):
    """A mould, batch or cast cannot be logged or changed like this."""
