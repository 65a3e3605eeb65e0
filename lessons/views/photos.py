"""Photos: looked at, added to a record, marked; and their files."""

from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods, require_safe

from lessons.forms.photos import WIDTHS, MarkForm, PhotoForm
from lessons.models import Photo, PhotoMark
from lessons.photos import add_photo, mark_photo
from lessons.queries.lessons import photo_or_404, photographed_or_404
from lessons.reading.lessons import shot
from parts.acting import act_once, form_page, may

FORM = ["GET", "HEAD", "POST"]
A_YEAR = 365 * 24 * 3600


@require_safe
@may("lessons.view_photo")
def photo(request: HttpRequest, pk: int) -> HttpResponse:
    found = photo_or_404(request.kit, pk)
    return render(request, "lessons/photo.html", _shown(found) | {"form": MarkForm(height_share=_shape(found))})


@require_safe
@may("lessons.view_photo")
def photo_file(request: HttpRequest, pk: int, size: str) -> FileResponse:
    """size: full or small. A photo's file never changes, so browsers may keep it."""
    found = photo_or_404(request.kit, pk)
    stored = {"full": found.file, "small": found.thumbnail}.get(size)
    if stored is None:
        raise Http404("A photo is served full or small.")
    try:
        content = stored.open()
    except FileNotFoundError:
        raise Http404("The file of this photo is missing from storage.") from None
    headers = {"Cache-Control": f"private, max-age={A_YEAR}, immutable", "X-Content-Type-Options": "nosniff"}
    return FileResponse(content, content_type=stored.media_type, headers=headers)


@require_http_methods(["POST"])
@may("lessons.add_photomark")
def mark(request: HttpRequest, pk: int) -> HttpResponse:
    found = photo_or_404(request.kit, pk)
    form = MarkForm(request.POST, height_share=_shape(found))

    def act() -> PhotoMark:
        return mark_photo(found, text=form.cleaned_data["text"], by=request.user, **form.place)

    context = _shown(found)
    url = found.get_absolute_url()
    return form_page(request, form, act, template="lessons/photo.html", context=context, url=lambda _: url)


@require_http_methods(FORM)
@may("lessons.add_photo")
def add(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    record = photographed_or_404(request.kit, kind, code)
    form = PhotoForm(request.POST or None, request.FILES or None)

    def act() -> Photo:
        caption, by = form.cleaned_data["caption"], request.user
        return [add_photo(record, file=file, caption=caption, by=by) for file in form.cleaned_data["photos"]][-1]

    url = record.get_absolute_url()
    if answer := act_once(request, form, act, lambda _: url):
        return answer
    context = {"form": form, "record": record, "kind": kind, "url": url}
    return render(request, "lessons/add_photo.html", context)


def _shape(photo: Photo) -> float:
    return photo.height / photo.width


def _shown(photo: Photo) -> dict:
    sizes = [{"name": name, "width": width, "height": round(width * _shape(photo))} for name, width in WIDTHS.items()]
    return {"photo": photo, "shot": shot(photo), "record": photo.record, "sizes": sizes}
