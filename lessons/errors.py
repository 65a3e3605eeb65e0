"""Refusals of this room; see `parts.errors.Refusal`."""

from parts.errors import Refusal


class LessonsRefusal(Refusal):
    """A mock-up, question, trial, fit check or lesson cannot be logged or changed like this."""


class PhotoRefused(LessonsRefusal):
    """A file that is not a photo this tool can keep."""

    code = "photo"
