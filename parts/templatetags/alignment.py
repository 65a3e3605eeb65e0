"""What the definition sheet says of alignment."""

from django import template

from ..alignment_models import RevisionAlignment
from ..models import Revision

register = template.Library()


@register.simple_tag
def alignment_of(revision: Revision) -> RevisionAlignment | None:
    """{% alignment_of revision as alignment %}: with its regions, one query."""
    rows = RevisionAlignment.objects.filter(revision=revision)
    return rows.select_related("primary", "secondary", "tertiary").first()
