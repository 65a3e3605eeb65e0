"""Pages filled from a record: the address carries some of the inputs, as the shell takes them, and whose they are."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from metrology.calculations.calculation import AnyCalculation
from metrology.calculations.problems import Refused
from parts.models import Kit

from .sheet import Sheet

# In the address: the inputs as JSON; in words whose they are; the page they come from.
GIVEN, WHOSE, FROM = "given", "whose", "from"
LONGEST_WHOSE = 80


@dataclass(frozen=True)
class Source:
    """The record that the figures of a page come from."""

    words: str
    address: str


def filled_address(kit: Kit, name: str, given: Mapping[str, Any], whose: str, back: str) -> str:
    """The page of a calculation filled with these inputs."""
    asked = {GIVEN: json.dumps(given, ensure_ascii=False, separators=(",", ":")), WHOSE: whose, FROM: back}
    return f"{reverse('numbers:page', args=[kit.code, name])}?{urlencode(asked)}"


def given_sheet(calculation: AnyCalculation, text: str, system: str) -> Sheet | None:
    """None when the address was cut off or changed: the page then shows its worked example."""
    try:
        given = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(given, dict):
        return None
    try:
        return Sheet.of_record(calculation, given, system)
    except Refused:
        return None


def record_of(data: Mapping[str, str], kit: Kit) -> Source | None:
    """Whose figures these are. Only pages of this kit are linked."""
    words, address = data.get(WHOSE, "")[:LONGEST_WHOSE], data.get(FROM, "")
    if not words or not address.lower().startswith(f"/{kit.code}/".lower()) or "\\" in address:
        return None
    return Source(words, address)
