"""Reads of nominal assemblies and position reports, each with a fixed number of queries."""

from django.db.models import Count, QuerySet
from django.shortcuts import get_object_or_404

from lessons.models import Mockup, MockupScan, NominalAssembly, PlacedPart
from parts.models import Kit


def current_assembly(mockup: Mockup) -> NominalAssembly | None:
    """With `part_count`. One query."""
    rows = NominalAssembly.objects.filter(mockup=mockup, current=True).annotate(part_count=Count("parts"))
    found = rows.select_related("imported_by").first()
    if found:
        found.mockup = mockup
    return found


def parts_of(assembly: NominalAssembly) -> list[PlacedPart]:
    """In the order of the table, with revision and nominal. One query."""
    rows = PlacedPart.objects.filter(assembly=assembly).select_related("revision__component__kit", "nominal")
    return list(rows.order_by("number"))


def reports() -> QuerySet[MockupScan]:
    """Newest scan first, with what a row and a page show."""
    return MockupScan.objects.select_related(
        "kit", "assembly__mockup__kit", "trial__kit", "trial__mockup", "instrument", "file", "asked_by", "plan",
        "elevation",
    )  # fmt: skip


def reports_of(mockup: Mockup) -> QuerySet[MockupScan]:
    return reports().filter(assembly__mockup=mockup).defer("figures")


def report_or_404(kit: Kit, code: str) -> MockupScan:
    return get_object_or_404(reports(), kit=kit, code=code)
