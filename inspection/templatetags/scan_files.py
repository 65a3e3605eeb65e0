"""What pages say about how the file of a scan is read."""

from pathlib import PurePath

from django import template

from metrology.reading import TableChoice
from metrology.reading.accepted import TABLE_SUFFIXES

from ..models import Scan
from ..services.scans import ReadFile

register = template.Library()


@register.filter
def read_as(scan: ReadFile) -> str:
    """How a person said that it is to be read, in words; "" when nobody had to say anything."""
    table = scan.reading.get("table")
    said = [TableChoice.from_stored(table).in_words()] if table else []
    if scan.reading.get("overruled_unit") == scan.unit:
        said.append("its own unit was overruled")
    return "; ".join(said)


@register.filter
def is_table(scan: Scan) -> bool:
    """Whether its columns can be read in another way."""
    return "table" in scan.reading or PurePath(scan.original_name).suffix.lower() in TABLE_SUFFIXES
