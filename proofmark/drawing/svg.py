"""The few SVG words the drawings need. Everything that reaches a page is escaped here."""

from collections.abc import Iterable

from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe


def coordinate(value: float) -> str:
    """At most one decimal, without a trailing zero: drawings stay small and tests readable."""
    shown = f"{value:.1f}".removesuffix(".0")
    return "0" if shown == "-0" else shown


def element(name: str, content: str = "", **attributes: object) -> str:
    """<name …>content</name>. Underscores in attribute names become hyphens, `class_` is class, None is left out."""
    words = [name]
    for key, value in attributes.items():
        if value is None:
            continue
        shown = coordinate(value) if isinstance(value, float) else value
        words.append(f'{key.rstrip("_").replace("_", "-")}="{escape(shown)}"')
    return f"<{' '.join(words)}>{content}</{name}>" if content else f"<{' '.join(words)}/>"


def path(d: str, class_: str | None = None, **attributes: object) -> str:
    return element("path", class_=class_, d=d, **attributes)


def rect(x: float, y: float, width: float, height: float, **attributes: object) -> str:
    return element("rect", x=float(x), y=float(y), width=float(max(width, 0)), height=float(height), **attributes)


def text(x: float, y: float, words: str, anchor: str = "middle", class_: str | None = None) -> str:
    return element("text", str(escape(words)), class_=class_, x=float(x), y=float(y), text_anchor=anchor)


def drawing(
    width: float, height: float, parts: Iterable[str], *, class_: str, label: str, fluid: bool = False
) -> SafeString:
    """A whole drawing with its finding as accessible name. `fluid`: as wide as its place instead of fixed in px."""
    box = f"0 0 {coordinate(float(width))} {coordinate(float(height))}"
    size = {"width": "100%"} if fluid else {"width": int(width), "height": int(height)}
    # Safe: every word and attribute was escaped above.
    return mark_safe(
        element("svg", "".join(parts) or " ", class_=class_, viewBox=box, **size, role="img", aria_label=label)
    )
