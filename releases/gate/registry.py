"""The checks, in the one order in which they stand everywhere."""

from . import (
    casts,
    cautions,
    characteristics,
    closure,
    geometry,
    instrument,
    lessons,
    mockup_fit,
    model_fit,
    process,
    questions,
    scan,
    strength,
)
from .base import Check

CHECKS: tuple[Check, ...] = (
    geometry,
    casts,
    instrument,
    characteristics,
    process,
    scan,
    strength,
    model_fit,
    mockup_fit,
    closure,
    questions,
    lessons,
    cautions,
)

_BY_CODE = {one.CODE: one for one in CHECKS}


def check(code: str) -> Check:
    """The check with this code. Raises KeyError for an unknown one."""
    return _BY_CODE[code]
