"""Sections of a scan, cut from what was kept with its result: quick enough to be drawn when they are asked for."""

from functools import lru_cache
from typing import Any, NamedTuple
from urllib.parse import urlencode

import numpy as np
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.urls import reverse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

from logbook.files import local_path
from logbook.models import StoredFile
from metrology.comparison.words import share
from metrology.errors import MetrologyError
from metrology.pictures.png import png
from metrology.sections.cut import Measured, Section, cut
from metrology.sections.picture import height_of, section_picture
from metrology.sections.words import SectionFigures, SectionPlace, section_figures, section_sentence, worst_places
from metrology.wording import quantity
from parts.acting import may
from parts.nominal_surface import surface_of

from . import queries
from .models import Scan, ScanResult
from .section_forms import SectionForm

FIELDS = tuple(SectionForm.base_fields)
# From this cosine on a plane runs along the surface rather than across it.
ALONG = 0.9
# On a phone a picture is about a third as wide as at the desk: fewer pixels under the same lettering.
SIZES: dict[str, dict[str, float]] = {
    "": {"width": 1200},
    "phone": {"width": 900, "text_scale": 4 / 3},
}


class Cut(NamedTuple):
    """A section that was asked for. measured, inside: shares as in the sentence. picture, on_phone: addresses of it
    drawn, and their heights in pixels. file: a name to save it by."""

    name: str
    says: str
    figures: SectionFigures
    measured: str
    inside: str
    places: list[SectionPlace]
    picture: str
    high: int
    on_phone: str
    high_on_phone: int
    file: str


class Shown(NamedTuple):
    """The zone of sections on the page of a scan. form: what was asked, and address: of the page that shows it. cut:
    None when nothing was, or it cannot be. through: (title, address) of sections worth a look."""

    form: SectionForm
    address: str
    cut: Cut | None
    through: list[tuple[str, str]]


def shown(scan: Scan, result: ScanResult, asked: QueryDict) -> Shown:
    wanted = {name: asked[name] for name in FIELDS if asked.get(name)}
    form = SectionForm(wanted) if wanted else SectionForm()
    page = f"{scan.get_absolute_url()}?{urlencode(wanted)}#section"
    empty = Shown(form, page, None, _through_the_worst(scan, result))
    if not wanted or not form.is_valid() or form.plane is None:
        return empty
    try:
        section = _cut(result, form)
    except MetrologyError as error:
        form.add_error(form.where if error.code == "beside" else None, error.sentence)
        return empty
    figures = section_figures(section)
    # The result is part of the address: a scan that is run again is drawn anew.
    address = reverse("inspection:section", args=[scan.kit.code, scan.code])
    query = urlencode(wanted | {"of": result.pk})
    found = Cut(
        name=section.plane.name,
        says=section_sentence(section),
        figures=figures,
        measured=share(figures.measured_share),
        inside=share(figures.inside_share, 1.0) if figures.measured_share else "",
        places=worst_places(section),
        picture=f"{address}?{query}",
        high=height_of(section, **SIZES[""]),
        on_phone=f"{address}?{query}&size=phone",
        high_on_phone=height_of(section, **SIZES["phone"]),
        file=_file_name(scan, form),
    )
    return empty._replace(cut=found)


@require_safe
@cache_control(private=True, max_age=3600)
@may("inspection.view_scan")
def picture(request: HttpRequest, code: str) -> HttpResponse:
    """The picture alone, drawn when it is asked for."""
    scan = queries.scan_or_404(request.kit, code)
    form = SectionForm(request.GET)
    size = SIZES.get(request.GET.get("size", ""))
    if scan.state != Scan.State.DONE or size is None or not form.is_valid() or form.plane is None:
        raise Http404("There is no such section.")
    try:
        image, _ = section_picture(
            _cut(scan.result, form),
            limits=(scan.result.lower, scan.result.upper),
            guard_mm=scan.result.uncertainty,
            factor=form.factor,
            **size,
        )
    except MetrologyError as error:
        raise Http404(error.sentence) from error
    name = _file_name(scan, form)
    return HttpResponse(png(image), "image/png", headers={"Content-Disposition": f'inline; filename="{name}"'})


def _file_name(scan: Scan, form: SectionForm) -> str:
    axis = form.cleaned_data["cut"] or "x"
    at = "slanting" if axis == "any" else f"{axis}{form.cleaned_data[f'p{axis}'].normalize():f}"
    return f"{scan.code}-section-{at}.png"


def _through_the_worst(scan: Scan, result: ScanResult) -> list[tuple[str, str]]:
    """Across the axes that cross the surface there; along a face a section tells little, or misses the part."""
    callouts = result.figures.get("callouts")
    if not callouts:
        return []
    at, normal = callouts[0]["at"], callouts[0]["normal"]
    point = {f"p{axis}": f"{value:.2f}" for axis, value in zip("xyz", at, strict=True)}
    page = scan.get_absolute_url()
    return [
        (f"{axis} = {quantity(value, 'mm', 0)}", f"{page}?{urlencode({'cut': axis} | point)}#section")
        for axis, value, lean in zip("xyz", at, normal, strict=True)
        if abs(lean) < ALONG
    ]


def _cut(result: ScanResult, form: SectionForm) -> Section:
    """Raises MetrologyError: beside, not-kept, or what reading the nominal does."""
    if result.deviations is None:
        raise MetrologyError("not-kept", "Nothing was kept of this scan to cut. Run it again.")
    arrays = _arrays(result.deviations.sha256)
    lower, upper = _limits(result, arrays)
    limits = result.lower, result.upper
    measured = Measured(arrays["points"], arrays["normals"], arrays["deviation"], lower, upper, limits)
    return cut(surface_of(result.nominal), form.plane, measured)


def _limits(result: ScanResult, arrays: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Limits at each sample: of the regions it lies in, all that apply, or of the whole."""
    count = len(arrays["points"])
    lower, upper = np.full(count, -np.inf), np.full(count, np.inf)
    for region, inside in zip(result.figures.get("regions", []), arrays.get("regions", []), strict=False):
        lower[inside] = np.maximum(lower[inside], region["lower_mm"])
        upper[inside] = np.minimum(upper[inside], region["upper_mm"])
    free = np.isinf(lower)
    lower[free], upper[free] = result.lower, result.upper
    return lower, upper


@lru_cache(maxsize=6)
def _arrays(sha256: str) -> dict[str, Any]:
    """Arrays kept with a result; a few are held in memory for whoever looks at one section after the other."""
    with local_path(StoredFile.objects.get(sha256=sha256)) as path, np.load(path) as kept:
        arrays = {name: kept[name] for name in ("points", "normals", "deviation", "regions") if name in kept.files}
    return {n: kept if kept.dtype == bool else kept.astype(np.float64) for n, kept in arrays.items()}
