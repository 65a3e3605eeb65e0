"""Sites, tags, and what the site team logs."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from casting.models import Cast
from logbook.once import sent_before
from parts.acting import form_page, may
from releases.models import Hold

from . import labels, queries, services
from .forms import HoldPointForm, InstallForm, PositionForm, SiteForm, TakeOutForm
from .models import Installation, Site


@require_safe
@may("sitework.view_site")
def sites(request: HttpRequest) -> HttpResponse:
    rows = queries.sites_for_list(request.kit)
    return render(request, "sitework/sites.html", {"sites": rows, "notices": queries.notices(request.kit)})


@require_safe
@may("sitework.view_site")
def site(request: HttpRequest, code: str) -> HttpResponse:
    row = queries.site_or_404(request.kit, code)
    return render(request, "sitework/site.html", queries.site_board(row, timezone.now()))


@require_http_methods(["GET", "POST"])
@may("sitework.add_site")
def add_site(request: HttpRequest) -> HttpResponse:
    form = SiteForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.add_site(kit=request.kit, by=request.user, **form.cleaned_data),
        template="sitework/form.html",
        url=Site.get_absolute_url,
        context={"title": "New site", "button": "Add site"},
    )


@require_http_methods(["GET", "POST"])
@may("sitework.change_site")
def change_site(request: HttpRequest, code: str) -> HttpResponse:
    row = queries.site_or_404(request.kit, code)
    start = {
        "name": row.name,
        "contact_name": row.contact_name,
        "contact_phone": row.contact_phone,
        "team": row.team.all(),
    }
    form = SiteForm(request.POST or None, initial=start, changing=True)
    return form_page(
        request,
        form,
        lambda: services.change_site(site=row, by=request.user, **form.cleaned_data),
        template="sitework/form.html",
        url=Site.get_absolute_url,
        context={"site": row, "title": f"Change {row}", "button": "Save"},
    )


@require_http_methods(["GET", "POST"])
@may("sitework.add_position")
def add_position(request: HttpRequest, code: str) -> HttpResponse:
    row = queries.site_or_404(request.kit, code)
    form = PositionForm(request.POST or None, kit=request.kit)
    return form_page(
        request,
        form,
        lambda: services.add_position(site=row, by=request.user, **form.cleaned_data),
        template="sitework/form.html",
        url=lambda _: row.get_absolute_url(),
        context={"site": row, "title": f"New position on {row}", "button": "Add position"},
    )


@require_http_methods(["GET", "POST"])
@may("sitework.add_holdpoint")
def add_hold_point(request: HttpRequest, code: str) -> HttpResponse:
    row = queries.site_or_404(request.kit, code)
    form = HoldPointForm(request.POST or None, kit=request.kit)
    return form_page(
        request,
        form,
        lambda: services.add_hold_point(site=row, by=request.user, **form.cleaned_data),
        template="sitework/form.html",
        url=lambda _: row.get_absolute_url(),
        context={"site": row, "title": f"New hold point on {row}", "button": "Add hold point"},
    )


@require_POST
@may("sitework.acknowledge")
def acknowledge(request: HttpRequest, code: str, what: str, pk: int) -> HttpResponse:
    """The site has seen a hold or a withdrawal. Twice is once."""
    row = queries.site_or_404(request.kit, code)
    seen = queries.notice_or_404(request.kit, what, pk)
    services.acknowledge(site=row, by=request.user, **{"hold" if isinstance(seen, Hold) else "withdrawal": seen})
    messages.success(request, f"Noted: {row} has seen it.")
    return redirect(row)


@require_safe
@may("sitework.view_tag")
def tags(request: HttpRequest) -> HttpResponse:
    """Choose the pieces whose tags are printed."""
    return render(request, "sitework/tags.html", {"casts": queries.casts_for_tags(request.kit)})


@require_POST
@may("sitework.add_tag")
def tag_sheet(request: HttpRequest) -> HttpResponse:
    """The chosen tags as a PDF; tags that do not exist yet are made."""
    chosen = request.POST.getlist("serial")
    casts = list(
        Cast.objects.filter(kit=request.kit, serial__in=chosen)
        .select_related("kit", "revision__component")
        .order_by("serial")
    )
    if not casts:
        messages.error(request, "Tick at least one piece, then print.")
        return redirect("sitework:tags", request.kit.code)
    made = services.make_tags(casts=casts, by=request.user)
    printed = [
        labels.Label(
            kit=request.kit.name,
            part_number=tag.cast.revision.component.part_number,
            name=tag.cast.revision.component.name,
            letter=tag.cast.revision.letter,
            serial=tag.cast.serial,
            code=tag.code,
            address=request.build_absolute_uri(tag.get_absolute_url()),
        )
        for tag in made
    ]
    return HttpResponse(
        labels.sheet(printed),
        content_type="application/pdf",
        headers={"Content-Disposition": 'inline; filename="tags.pdf"'},
    )


def _cast(request: HttpRequest, serial: str) -> Cast:
    rows = Cast.objects.select_related("kit", "revision__component__kit", "tag")
    return get_object_or_404(rows, kit=request.kit, serial=serial)


def _after(cast: Cast) -> str:
    """Back to the tag that was read, or to the piece's page when it has none."""
    tag = getattr(cast, "tag", None)
    return tag.get_absolute_url() if tag else cast.get_absolute_url()


@require_http_methods(["GET", "POST"])
@may("sitework.log_installation")
def install(request: HttpRequest, serial: str) -> HttpResponse:
    cast = _cast(request, serial)
    form = InstallForm(request.POST or None, cast=cast)
    return form_page(
        request,
        form,
        lambda: services.install(
            cast=cast,
            position=form.cleaned_data["position"],
            by=request.user,
            signed=form.signed(),
            note=form.cleaned_data["note"],
        ),
        template="sitework/install.html",
        url=lambda _: _after(cast),
        context={"cast": cast},
    )


@require_http_methods(["GET", "POST"])
@may("sitework.log_installation")
def take_out(request: HttpRequest, serial: str) -> HttpResponse:
    cast = _cast(request, serial)
    if there := sent_before(request):
        return redirect(there)
    present = get_object_or_404(
        Installation.objects.select_related("cast", "position__site"), cast=cast, removed_at__isnull=True
    )
    form = TakeOutForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.take_out(installation=present, by=request.user, why=form.cleaned_data["why"]),
        template="sitework/form.html",
        url=lambda _: _after(cast),
        context={"cast": cast, "title": f"Take {cast} out of {present.position}", "button": "Log as taken out"},
    )
