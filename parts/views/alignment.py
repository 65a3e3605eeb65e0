"""What the scans of a revision are aligned by: one form."""

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from .. import queries, services
from ..acting import form_page, may
from ..alignment_forms import AlignmentForm
from ..alignment_models import AlignmentKind, alignment_of
from . import FORM
from .revisions import definition_url


@require_http_methods(FORM)
@may("parts.change_revision")
def alignment(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    found = alignment_of(revision)
    usual = {"kind": AlignmentKind.DATUM}
    if found:
        usual = {name: getattr(found, name) for name in ("kind", "primary", "secondary", "tertiary", "held")}
    form = AlignmentForm(request.POST or None, revision=revision, initial=usual)
    back = definition_url(revision) + "#alignment"
    return form_page(
        request,
        form,
        lambda: services.set_alignment(revision, **form.cleaned_data, by=request.user),
        template="parts/alignment_form.html",
        context={"revision": revision, "cancel": back},
        url=lambda _: back,
    )
