"""The hidden token that makes a form count once; see `logbook.once`."""

import uuid

from django import template
from django.utils.html import format_html

register = template.Library()


@register.simple_tag
def once():
    return format_html('<input type="hidden" name="once" value="{}">', uuid.uuid4())
