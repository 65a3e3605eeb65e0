"""What the definition sheet says of mouldability, in one zone."""

from typing import Any

from django import template
from django.template.context import RequestContext

from ..models import Geometry, Revision
from ..mouldability import Reading, latest_check

register = template.Library()


@register.inclusion_tag("parts/_mouldability_zone.html", takes_context=True)
def mouldability_zone(context: RequestContext, revision: Revision, nominal: Geometry | None) -> dict[str, Any]:
    """{% mouldability_zone revision geometry.nominal %}: nothing without a nominal, else one query."""
    check = latest_check(revision) if nominal else None
    reading = Reading(check, revision) if check else None
    return {"revision": revision, "nominal": nominal, "reading": reading, "request": context["request"]}
