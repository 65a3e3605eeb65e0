"""What the templates of the three-dimensional view need."""

from django import template
from django.templatetags.static import static

from metrology.pictures.views import VIEWS

register = template.Library()
# In the order in which they need each other; the browser fetches them side by side.
MODULES = (
    "view",
    "reading",
    "tools",
    "camera",
    "input",
    "marks",
    "pick",
    "scene",
    "shaders",
    "scale",
    "words",
    "payload",
)


@register.simple_tag
def views_of_a_part() -> list[tuple[str, str]]:
    """Name and button of each view, in the order of their keys 1 to 7."""
    return [(view.name, "Pictorial" if view.name == "pictorial" else view.title) for view in VIEWS]


@register.simple_tag
def modules_of_the_view() -> list[str]:
    """Addresses of all that `start.js` imports, the library first, for it is the largest."""
    return [static("three/three.js"), *(static(f"proofmark/view3d/{name}.js") for name in MODULES)]
