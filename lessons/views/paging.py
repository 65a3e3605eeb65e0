"""One page of a list."""

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest

PER_PAGE = 50


def page_of(request: HttpRequest, rows: QuerySet) -> Page:
    return Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
