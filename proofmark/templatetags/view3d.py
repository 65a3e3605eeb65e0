"""What the templates of the three-dimensional view need."""

from django import template

from metrology.pictures.views import VIEWS

register = template.Library()


@register.simple_tag
def views_of_a_part() -> list[tuple[str, str]]:
    """Name and button of each view, in the order of their keys 1 to 7."""
    return [(view.name, "Pictorial" if view.name == "pictorial" else view.title) for view in VIEWS]
