"""One effect for a form however often its button is pressed."""

import uuid
from collections.abc import Callable

from django.db import IntegrityError, models, transaction
from django.http import HttpRequest

from .models import Submission


def submit_once(
    request: HttpRequest, act: Callable[[], models.Model], url: Callable[[models.Model], str] | None = None
) -> str:
    """Run `act` and return the address to go to; a second sending of the same form only gets the address.

    The form carries the token that `{% once %}` writes. The token's row and the act commit together, so a refused
    act (an exception) leaves the token free for the corrected form.
    """
    token = _token(request) or uuid.uuid4()
    with transaction.atomic():
        try:
            with transaction.atomic():
                row = Submission.objects.create(token=token)
        except IntegrityError:
            return Submission.objects.get(token=token).url
        record = act()
        row.url = url(record) if url else record.get_absolute_url()
        row.save(update_fields=["url"])
    return row.url


def sent_before(request: HttpRequest) -> str | None:
    """The address that this very form led to when it was sent before; None for a form that is new.

    Ask before a form is checked: what it chose may be taken by its own first sending.
    """
    token = _token(request)
    return Submission.objects.filter(token=token).values_list("url", flat=True).first() if token else None


def _token(request: HttpRequest) -> uuid.UUID | None:
    try:
        return uuid.UUID(request.POST.get("once", ""))
    except ValueError:
        return None
