"""Features of a revision and the characteristics that they feed."""

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods, require_POST

from .. import queries, services
from ..acting import act_or_say, form_page, may
from ..feature_forms import FeatureForm, FeedForm
from ..models import Revision
from . import FORM
from .revisions import definition_url


def _back(revision: Revision) -> str:
    return definition_url(revision) + "#features"


@require_http_methods(FORM)
@may("parts.add_feature")
def new_feature(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    form = FeatureForm(request.POST or None, revision=revision)
    return form_page(
        request,
        form,
        lambda: services.add_feature(revision, **form.cleaned_data, by=request.user),
        template="parts/feature_form.html",
        context={"revision": revision, "cancel": _back(revision)},
        url=lambda feature: _back(revision),
    )


@require_POST
@may("parts.delete_feature")
def remove_feature(request: HttpRequest, part_number: str, letter: str, pk: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    feature = revision.features.filter(pk=pk).first()
    if feature is None:
        raise Http404("There is no such feature on this revision.")
    return act_or_say(
        request,
        lambda: services.remove_feature(feature, by=request.user),
        _back(revision),
        f"Feature “{feature.name}” was taken out.",
    )


@require_http_methods(FORM)
@may("parts.add_feed")
def new_feed(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    form = FeedForm(request.POST or None, revision=revision)

    def act():
        values = dict(form.cleaned_data)
        return services.feed_characteristic(values.pop("characteristic"), **values, by=request.user)

    return form_page(
        request,
        form,
        act,
        template="parts/feed_form.html",
        context={"revision": revision, "cancel": _back(revision)},
        url=lambda feed: _back(revision),
    )


@require_POST
@may("parts.delete_feed")
def remove_feed(request: HttpRequest, part_number: str, letter: str, pk: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    feed = queries.feeds_of(revision).filter(pk=pk).first()
    if feed is None:
        raise Http404("There is no such feed on this revision.")
    return act_or_say(
        request,
        lambda: services.stop_feeding(feed, by=request.user),
        _back(revision),
        f"Characteristic {feed.characteristic} is no longer fed.",
    )
