"""The definition sheet of a revision: geometry, characteristics and regions."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required, permission_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from .. import queries, services
from ..acting import act_once, act_or_say, add_refusal
from ..errors import Refusal
from ..forms import CharacteristicForm, DrawingForm, NominalForm, RegionForm
from ..models import Geometry, Revision
from .revisions import definition_url

AND_NEXT = "and-next"


@require_safe
@login_required
@permission_required("parts.view_revision", raise_exception=True)
def definition(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    context = {
        "revision": revision,
        "component": revision.component,
        "geometry": queries.current_geometry(revision),
        "characteristics": revision.characteristics.order_by("number"),
        "regions": revision.regions.order_by("name"),
    }
    return render(request, "parts/definition.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_geometry", raise_exception=True)
def file_nominal(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    return _file_geometry(request, part_number, letter, Geometry.Role.NOMINAL)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_geometry", raise_exception=True)
def file_drawing(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    return _file_geometry(request, part_number, letter, Geometry.Role.DRAWING)


def _file_geometry(request: HttpRequest, part_number: str, letter: str, role: Geometry.Role) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    form_class = NominalForm if role == Geometry.Role.NOMINAL else DrawingForm
    posted = request.method == "POST"
    form = form_class(request.POST, request.FILES) if posted else form_class()
    if posted and form.is_valid():
        done = _examine_and_file(request, revision, role, form)
        if done:
            return done
    context = {
        "form": form,
        "revision": revision,
        "role": role,
        "current": queries.current_geometry(revision).get(role),
    }
    return render(request, "parts/geometry_form.html", context)


def _examine_and_file(
    request: HttpRequest, revision: Revision, role: Geometry.Role, form: NominalForm | DrawingForm
) -> HttpResponse | None:
    """Read the file before the transaction begins, so that nobody waits for it, then put it on the sheet once."""
    try:
        services.check_open(revision)
        upload = form.cleaned_data["file"]
        examined = services.examine_geometry(
            role=role, file=upload, original_name=upload.name, unit=form.cleaned_data.get("unit", "")
        )
    except Refusal as refusal:
        add_refusal(form, refusal)
        return None
    return act_once(
        request,
        form,
        lambda: services.file_geometry(revision, examined, by=request.user),
        lambda geometry: definition_url(revision) + "#geometry",
    )


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_characteristic", raise_exception=True)
def new_characteristic(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    rows = list(revision.characteristics.order_by("number"))
    form = CharacteristicForm(request.POST or None, initial={"number": rows[-1].number + 1 if rows else 1})
    if request.method == "POST" and form.is_valid():
        here = reverse("parts:new_characteristic", args=revision.url_args())
        done = act_once(
            request,
            form,
            lambda: services.add_characteristic(revision, **form.cleaned_data, by=request.user),
            lambda row: here if AND_NEXT in request.POST else _row_url(revision, row.number),
        )
        if done:
            return done
    return render(request, "parts/characteristic_form.html", {"form": form, "revision": revision, "rows": rows[-5:]})


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.change_characteristic", raise_exception=True)
def change_characteristic(request: HttpRequest, part_number: str, letter: str, number: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    row = queries.characteristic_or_404(revision, number)
    form = CharacteristicForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        done = act_once(
            request,
            form,
            lambda: services.change_characteristic(row, **form.cleaned_data, by=request.user),
            lambda row: _row_url(revision, row.number),
        )
        if done:
            return done
        row = queries.characteristic_or_404(revision, number)
    context = {"form": form, "revision": revision, "characteristic": row}
    return render(request, "parts/characteristic_form.html", context)


@require_POST
@login_required
@permission_required("parts.delete_characteristic", raise_exception=True)
def remove_characteristic(request: HttpRequest, part_number: str, letter: str, number: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    row = queries.characteristic_or_404(revision, number)

    def remove() -> None:
        services.remove_characteristic(row, by=request.user)
        messages.success(request, f"Characteristic {number} {row.name} was taken out.")

    return act_or_say(request, remove, definition_url(revision) + "#characteristics")


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_region", raise_exception=True)
def new_region(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    form = RegionForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        done = act_once(
            request,
            form,
            lambda: services.add_region(revision, **form.cleaned_data, by=request.user),
            lambda region: definition_url(revision) + "#regions",
        )
        if done:
            return done
    nominal = queries.current_geometry(revision).get(Geometry.Role.NOMINAL)
    return render(request, "parts/region_form.html", {"form": form, "revision": revision, "nominal": nominal})


@require_POST
@login_required
@permission_required("parts.delete_region", raise_exception=True)
def remove_region(request: HttpRequest, part_number: str, letter: str, pk: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    region = queries.region_or_404(revision, pk)

    def remove() -> None:
        services.remove_region(region, by=request.user)
        messages.success(request, f"Region “{region.name}” was taken out.")

    return act_or_say(request, remove, definition_url(revision) + "#regions")


def _row_url(revision: Revision, number: int) -> str:
    return f"{definition_url(revision)}#c{number}"
