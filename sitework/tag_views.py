"""What a phone sees when it reads a tag. No sign-in: the answer is for whoever stands in front of the piece."""

from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from releases.models import Release

from .clearance import clearance
from .forms import InstallForm
from .models import Site
from .queries import tag_or_none


@require_safe
@never_cache
def tag(request: HttpRequest, code: str) -> HttpResponse:
    """Cleared, not cleared or can't tell; why, since when, who to call. An unknown tag cannot be told."""
    at = timezone.now()
    row = tag_or_none(code)
    if row is None:
        return render(request, "sitework/unknown_tag.html", {"code": code, "at": at}, status=404)
    cast = row.cast
    request.kit = cast.kit
    timezone.activate(ZoneInfo(cast.kit.time_zone))
    answer = clearance(cast, at)
    present = cast.installations.filter(removed_at__isnull=True).select_related("position__site").first()
    sites = Site.objects.filter(positions__component=cast.revision.component_id).distinct()
    may_install = answer.cleared and present is None and request.user.has_perm("sitework.log_installation")
    return render(
        request,
        "sitework/tag.html",
        {
            "tag": row,
            "cast": cast,
            "revision": cast.revision,
            "clearance": answer,
            "at": at,
            "installed": present,
            "contact": present.position.site if present else sites.first(),
            "release": Release.objects.filter(revision=cast.revision).prefetch_related("sign_offs").first(),
            "form": InstallForm(cast=cast) if may_install else None,
        },
    )
