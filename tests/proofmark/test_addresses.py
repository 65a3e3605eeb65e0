"""Addresses of the tool and of kits share one space."""

from django.urls import URLPattern, URLResolver, get_resolver

from parts.services.kits import OWN_ADDRESSES


def test_no_kit_can_take_an_address_of_the_tool():
    """A kit whose code is the first part of a fixed address would have a board that nobody reaches."""
    first = {str(entry.pattern).split("/")[0] for entry in addresses(get_resolver().url_patterns)}
    fixed = {part for part in first if part and not part.startswith("<")}
    assert {"people", "sign-in", "kits"} <= fixed <= OWN_ADDRESSES


def addresses(patterns: list[URLPattern | URLResolver]) -> list[URLPattern | URLResolver]:
    """Top addresses, with those of included lists that have no prefix of their own."""
    found = []
    for entry in patterns:
        inner = isinstance(entry, URLResolver) and not str(entry.pattern)
        found += addresses(entry.url_patterns) if inner else [entry]
    return found
