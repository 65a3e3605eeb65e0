"""Paper or blueprint: kept with the person, and in a cookie for phones nobody is signed in on."""

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

from .models import Person

COOKIE = "proofmark-theme"
YEAR = 365 * 24 * 3600


def theme_of(request: HttpRequest) -> str:
    """paper, blueprint, or nothing when the device decides."""
    user = getattr(request, "user", None)
    if user is not None and user.is_authenticated:
        return user.theme
    chosen = request.COOKIES.get(COOKIE, "")
    return chosen if chosen in Person.Theme.values else ""


@require_POST
def choose_theme(request: HttpRequest) -> HttpResponse:
    """Keep the choice and go back to the page. An unknown choice leaves it to the device."""
    chosen = request.POST.get("theme", "")
    if chosen not in Person.Theme.values:
        chosen = ""
    if request.user.is_authenticated and request.user.theme != chosen:
        request.user.theme = chosen
        request.user.save(update_fields=["theme"])
    back = request.POST.get("next", "")
    if not back.startswith("/") or not url_has_allowed_host_and_scheme(
        back, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    ):
        back = "/"
    response = HttpResponseRedirect(back)
    response.set_cookie(COOKIE, chosen, max_age=YEAR, samesite="Lax", httponly=True, secure=request.is_secure())
    return response
