"""The gate: every check of a revision's plan, evaluated on today's evidence."""

from .reading import GateReading, Row, evaluate
from .registry import CHECKS, check

__all__ = ["CHECKS", "GateReading", "Row", "check", "evaluate"]
