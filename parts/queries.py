"""Reads that more than one page needs, each with a fixed number of queries."""

from django.db.models import Count, Prefetch, Q, QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from .models import Characteristic, Component, Feature, Feed, Geometry, Interface, Kit, Region, Revision


def kits_for_list() -> QuerySet[Kit]:
    """Every kit with `component_count`."""
    return Kit.objects.annotate(component_count=Count("components")).order_by("code")


def revisions_in_order() -> QuerySet[Revision]:
    """Revisions by letter, oldest first, with their author."""
    return Revision.objects.select_related("author").order_by("component", "created_at", "pk")


def components_for_list(kit: Kit) -> QuerySet[Component]:
    """Components of a kit with their revisions in order (`component.revisions.all()`). Two queries, however many."""
    return (
        kit.components.select_related("kit")
        .prefetch_related(Prefetch("revisions", queryset=revisions_in_order()))
        .order_by("family", "part_number")
    )


def component_or_404(kit: Kit, part_number: str) -> Component:
    """One component with its kit and its revisions in order."""
    components = Component.objects.select_related("kit").prefetch_related(
        Prefetch("revisions", queryset=revisions_in_order())
    )
    return get_object_or_404(components, kit=kit, part_number=part_number)


def revision_or_404(kit: Kit, part_number: str, letter: str) -> Revision:
    """One revision with its author, component, kit and the component's other revisions in order. Two queries."""
    revisions = Revision.objects.select_related("component__kit", "author").prefetch_related(
        Prefetch("component__revisions", queryset=revisions_in_order())
    )
    return get_object_or_404(revisions, component__kit=kit, component__part_number=part_number, letter=letter)


def interfaces_of(component: Component) -> QuerySet[Interface]:
    """Where the component meets another, with both components and the kit."""
    return (
        Interface.objects.filter(Q(component_a=component) | Q(component_b=component))
        .select_related("kit", "component_a__kit", "component_b__kit")
        .order_by("code")
    )


def interfaces_for_list(kit: Kit) -> QuerySet[Interface]:
    return kit.interfaces.select_related("kit", "component_a__kit", "component_b__kit").order_by("code")


def interface_or_404(kit: Kit, code: str) -> Interface:
    return get_object_or_404(interfaces_for_list(kit), code=code)


def characteristic_or_404(revision: Revision, number: int) -> Characteristic:
    characteristic = get_object_or_404(revision.characteristics, number=number)
    characteristic.revision = revision
    return characteristic


def current_geometry(revision: Revision) -> dict[str, Geometry]:
    """The current nominal and drawing by role: {"nominal": …, "drawing": …}, absent when not on file. One query."""
    rows = revision.geometry.filter(current=True).select_related("file", "picture", "added_by")
    return {row.role: row for row in rows}


def families(kit: Kit) -> list[str]:
    """Family names in use, for suggestions."""
    return list(kit.components.exclude(family="").order_by("family").values_list("family", flat=True).distinct())


def materials(kit: Kit) -> list[str]:
    return list(kit.components.order_by("material").values_list("material", flat=True).distinct())


def region_or_404(revision: Revision, pk: int):
    region = revision.regions.filter(pk=pk).first()
    if region is None:
        raise Http404("There is no such region on this revision.")
    region.revision = revision
    return region


def feeds_of(revision: Revision) -> QuerySet[Feed]:
    """Feeds in the order of the drawing, with what their rows show."""
    rows = Feed.objects.filter(characteristic__revision=revision).order_by("characteristic__number")
    return rows.select_related("characteristic", "feature", "other")


def features_for_list(revision: Revision) -> QuerySet[Feature]:
    return revision.features.prefetch_related("regions").order_by("name")


def regions_for_list(revision: Revision, nominal: Geometry | None) -> list[Region]:
    """Regions by name; `lost` says in words when one does not stand on the current nominal. One query."""
    rows = list(revision.regions.order_by("name"))
    for region in rows:
        region.lost = ""
        if nominal is None:
            continue
        if not region.stands_on(nominal):
            region.lost = "Not looked for on this nominal yet."
        elif region.found.get("lost"):
            region.lost = "Its seed points no longer find a face: choose it anew."
        elif not region.found.get("faces"):
            region.lost = "It no longer finds any surface: choose it anew."
    return rows
