"""Refusals of this room; see `parts.errors.Refusal`."""

from parts.errors import Refusal


class NotCleared(Refusal):
    """The piece may not go in."""


class NotNow(Refusal):
    """The record is not in a state in which this can be done."""
