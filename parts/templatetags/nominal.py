"""What the definition sheet says about the triangles of a nominal."""

from django import template

from ..models import Geometry, Revision
from ..services.geometry import chord_has_become_coarse

register = template.Library()


@register.simple_tag
def coarse_chord(revision: Revision, nominal: Geometry) -> bool:
    """Whether the limits have become so narrow since the triangles were made that they ought to be made again."""
    return chord_has_become_coarse(revision, nominal)
