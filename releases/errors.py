"""Refusals of this room; see `parts.errors.Refusal`."""

from parts.errors import Refusal


class NotYours(Refusal):
    """The person may not do this, whatever their role: authors do not sign their own work."""


class NotNow(Refusal):
    """The record is not in a state in which this can be done."""


class GateClosed(Refusal):
    """Checks stop the revision."""
