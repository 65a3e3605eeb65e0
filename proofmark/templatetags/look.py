"""Tags and filters every page is drawn with. docs/pages.md shows how they are used."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from django import template
from django.forms import BoundField, CheckboxInput
from django.template import Context
from django.templatetags.static import static
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from metrology.calculations.plots import Plot
from metrology.over_pours import PourChart
from proofmark.drawing import charts, words
from proofmark.drawing.gauge import draw_gauge
from proofmark.drawing.numbers import NBSP, Number, is_number, with_unit, written
from proofmark.drawing.plot import draw_plot
from proofmark.drawing.pours import draw_pours

register = template.Library()

# Which room an address belongs to, by the app that serves it.
ROOM_OF = {
    "parts": "parts",
    "casting": "parts",
    "inspection": "parts",
    "releases": "parts",
    "lessons": "lessons",
    "sitework": "site",
    "numbers": "numbers",
    "logbook": "logbook",
}
ROOMS = (
    ("board", "Board", "board", None),
    ("bench", "Bench", "bench", "casting.add_cast"),
    ("parts", "Parts", "parts:list", "parts.view_component"),
    ("lessons", "Lessons", "lessons:list", "lessons.view_lesson"),
    ("site", "Site", "sitework:board", "sitework.view_site"),
    ("numbers", "Numbers", "numbers:list", "casting.add_cast"),
    ("logbook", "Logbook", "logbook:list", "logbook.view_entry"),
)


# ---- marks and words -------------------------------------------------------------------------------------------------


@register.simple_tag(name="mark")
def draw_mark(name: str, label: str = "", size: str = "") -> SafeString:
    """A mark from the sprite, by its own name or by a word of the glossary. Without label it is hidden from readers.

    size: "" (22 px), "s" (16 px), "l" (36 px). Nothing for a word without a mark: no mark is better than a wrong one.
    """
    symbol = name if name in words.NAMES else words.mark_of(name)
    if not symbol:
        return mark_safe("")
    spoken = format_html('role="img" aria-label="{}"', label) if label else mark_safe('aria-hidden="true"')
    kind = f"m {size}".strip()
    return format_html('<svg class="{}" {}><use href="{}#m-{}"/></svg>', kind, spoken, _sprite(), symbol)


@register.simple_tag
def logo() -> SafeString:
    return format_html('<svg aria-hidden="true"><use href="{}#logo"/></svg>', _sprite())


def _sprite() -> str:
    return static("proofmark/marks.svg")


@register.simple_tag
def says(word: Any, text: str = "", mark: str = "", size: str = "") -> SafeString:
    """Mark and word together. `word` chooses the mark; `text` replaces the shown word, `mark` the mark."""
    name = mark or words.mark_of(word)
    shown = words.sentence_case(text or word)
    drawn = draw_mark(name, size=size) if name else ""
    return format_html('<span class="says">{}{}</span>', drawn, shown)


@register.simple_tag
def rev_letter(revision: Any, current: Any = None, href: str = "", link: bool = True) -> SafeString:
    """The boxed letter of a revision: solid when buildable, dashed before, grey when superseded, struck when withdrawn.

    current: a revision (or True) that is the one on this sheet. Links to the revision unless link=False; the
    component and its kit must be loaded with it, or give href.
    """
    here = current is True or (current is not None and current == revision)
    kind = words.REVISION_CLASSES.get(str(revision.state), "trial")
    said = f"{revision.letter}, {revision.state}" + (", this one" if here else "")
    now = mark_safe(' aria-current="true"') if here else ""
    if link and not href:
        try:
            href = revision.get_absolute_url()
        except NoReverseMatch:
            href = ""
    if link and href:
        return format_html(
            '<a class="rev {}" href="{}" aria-label="{}"{}>{}</a>', kind, href, said, now, revision.letter
        )
    return format_html(
        '<span class="rev {}"{}>{}<span class="hidden">, {}</span></span>', kind, now, revision.letter, revision.state
    )


# ---- drawings --------------------------------------------------------------------------------------------------------


@register.simple_tag
def gauge(
    lower: Number | None = None,
    upper: Number | None = None,
    value: Number | Sequence[Number] | None = None,
    guard: Number | None = None,
    unit: str = "",
    decimals: int | None = None,
    label: str = "",
) -> SafeString | str:
    return draw_gauge(
        lower=_figure(lower),
        upper=_figure(upper),
        value=value,
        guard=_figure(guard),
        unit=unit,
        decimals=decimals if isinstance(decimals, int) else None,
        label=label,
    )


@register.simple_tag
def histogram(
    edges: Sequence[Number],
    counts: Sequence[Number],
    lower: Number | None = None,
    upper: Number | None = None,
    guard: Number | None = None,
    unit: str = "mm",
    under: str = "share of points",
    label: str = "",
) -> SafeString | str:
    return charts.draw_histogram(
        edges,
        counts,
        lower=_figure(lower),
        upper=_figure(upper),
        guard=_figure(guard),
        unit=unit,
        under=under,
        label=label,
    )


@register.simple_tag(name="plot")
def draw_figure(figure: Plot) -> SafeString:
    """A plot as `metrology.calculations.plots` describes it, in its own units."""
    return draw_plot(figure, x_unit=figure.x.unit, y_unit=figure.y.unit)


@register.simple_tag
def trend(
    points: Iterable[tuple[str, Number]],
    limit: Number | None = None,
    forbidden: str = "above",
    unit: str = "",
    title: str = "",
    label: str = "",
) -> SafeString | str:
    return charts.draw_trend(points, limit=_figure(limit), forbidden=forbidden, unit=unit, title=title, label=label)


@register.simple_tag
def pours(chart: PourChart) -> SafeString | str:
    """Values of one characteristic in the order of pouring, against its limits."""
    return draw_pours(chart)


@register.simple_tag
def freshness(share: float) -> SafeString:
    """share: 0 at the moment of checking, 1 when it is no longer good."""
    return charts.draw_freshness(float(share))


@register.simple_tag
def made(needed: int, cast: int, installed: int) -> SafeString:
    return charts.draw_made(needed, cast, installed)


@register.filter
def tally(count: int) -> SafeString:
    """Strokes, fives crossed, and the figure beside them."""
    return format_html('<span class="tally">{} {}</span>', charts.draw_tally(count), count)


def _figure(value: Any) -> Number | None:
    """A template variable that is not there arrives as an empty string."""
    return value if is_number(value) else None


# ---- numbers and times -----------------------------------------------------------------------------------------------


@register.filter
def mm(value: Any, decimals: int | None = None) -> str:
    """1.8 → "1.8 mm" with a no-break space. None or nothing: an empty string."""
    return with_unit(value, "mm", decimals) if is_number(value) else ""


@register.filter
def signed(value: Any, decimals: int | None = None) -> str:
    """+0.7, −1.3, 0.0. Only for maps and tables; in sentences say the direction in words."""
    return written(value, decimals, sign=True) if is_number(value) else ""


@register.filter
def number(value: Any, decimals: int | None = None) -> str:
    return written(value, decimals) if is_number(value) else ""


@register.filter
def unit(value: Any, name: str) -> str:
    """{{ mass|unit:"kg" }} → "104.2 kg"; with {{ x|number:1|unit:"kg" }} decimals are chosen first."""
    if is_number(value):
        return with_unit(value, name)
    if value in (None, ""):
        return ""
    return f"{value}{NBSP if name not in ('°', '1', '') else ''}{'' if name == '1' else name}"


@register.filter
def pct(share: Any, decimals: int | None = 1) -> str:
    """A share from 0 to 1 as percent: 0.978 → "97.8 %"."""
    return with_unit(float(share) * 100, "%", decimals) if is_number(share) else ""


@register.filter
def when(moment: Any, style: str = "") -> SafeString | str:
    """Absolute day and time in the kit's zone. style: "" | "day" | "short" | "weekday" | "time"."""
    if isinstance(moment, datetime):
        local = timezone.localtime(moment) if timezone.is_aware(moment) else moment
        return _time(local.isoformat("T", "minutes"), words.written_moment(local, style))
    if isinstance(moment, date):
        return _time(moment.isoformat(), words.written_moment(moment, style))
    return ""


def _time(machine: str, shown: str) -> SafeString:
    return format_html('<time datetime="{}">{}</time>', machine, shown)


@register.filter
def ago(moment: datetime | None) -> SafeString | str:
    """4 min ago. For screens only; print needs `when`."""
    if not moment:
        return ""
    return _time(moment.isoformat("T", "minutes"), words.written_ago(moment, timezone.now()))


@register.filter
def sentence(text: Any) -> str:
    """First letter capital."""
    return words.sentence_case(text)


# ---- navigation ------------------------------------------------------------------------------------------------------


@register.simple_tag(takes_context=True)
def room_links(context: Context) -> list[dict[str, Any]]:
    """The rooms of the kit on the request, those the person may see. [] when there is no kit.

    The room one is in follows from the address; a view may say otherwise with `room` in its context.
    """
    request = context.get("request")
    kit = getattr(request, "kit", None)
    user = getattr(request, "user", None)
    if kit is None or user is None or not user.is_authenticated:
        return []
    match = request.resolver_match
    here = context.get("room") or (
        ROOM_OF.get(match.namespace, match.url_name if match.url_name in ("board", "bench") else "") if match else ""
    )
    links = []
    for code, name, address, permission in ROOMS:
        if permission and not user.has_perm(permission):
            continue
        try:
            url = reverse(address, args=[kit.code])
        except NoReverseMatch:
            continue
        links.append({"name": name, "url": url, "current": code == here})
    return links


@register.simple_tag(takes_context=True)
def theme(context: Context) -> str:
    """paper, blueprint or nothing (as the device): from the person who is signed in, else from the cookie."""
    from proofmark.theme import theme_of

    request = context.get("request")
    return theme_of(request) if request else ""


@register.inclusion_tag("_sheets.html")
def sheets(links: Iterable[tuple[str, str]], current: str = "", key: str = "Sheet") -> dict[str, Any]:
    """Numbered sheets of a record: (name, address) pairs; current is the name of this one."""
    return {"links": list(links), "current": current, "key": key}


@register.simple_tag
def address(name: str, *args: Any) -> str:
    """Like url, but empty instead of an error when there is no such page."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""


# ---- forms -----------------------------------------------------------------------------------------------------------


@register.inclusion_tag("_field.html")
def field(
    bound: BoundField, unit: str = "", big: bool = False, label: str = "", note: str = "", wide: bool = False
) -> dict[str, Any]:
    """One field with its label, unit, help and errors, tied together for screen readers.

    unit: shown inside the field; taken from the field itself when it has one. note: a word after the label.
    wide: over the whole width of `.inputs`.
    """
    widget = bound.field.widget
    several = bound.use_fieldset
    required = bound.field.required
    described = [f"{bound.auto_id}_helptext"] if bound.help_text else []
    described += [f"{bound.auto_id}_error"] if bound.errors else []
    attrs: dict[str, Any] = {}
    if described and not several:
        attrs["aria-describedby"] = " ".join(described)
    if isinstance(widget, CheckboxInput):
        shape = "tick"
    elif several:
        shape = "choices"
    elif getattr(widget, "input_type", "") == "file":
        shape = "file"
    else:
        shape = "in"
    return {
        "bound": bound,
        "shape": shape,
        "control": bound.as_widget(attrs=attrs),
        "label": words.sentence_case(label or bound.label),
        "unit": unit or ("" if getattr(bound.field, "unit_elsewhere", False) else getattr(bound.field, "unit", "")),
        "note": note or ("" if required or shape == "tick" else "optional"),
        "big": big,
        "wide": wide,
        "described": " ".join(described),
        "hidden": bound.is_hidden,
    }


@register.simple_tag
def error_links(form: Any) -> list[dict[str, str]]:
    """Every error of a form with the place it belongs to, in the order of the fields."""
    return [
        {"id": bound.id_for_label or bound.auto_id, "label": words.sentence_case(bound.label), "error": error}
        for bound in form
        for error in bound.errors
    ]
