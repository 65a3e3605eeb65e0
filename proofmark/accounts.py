"""Signing in and out, the first account, one's own settings, and the people that a lead looks after."""

import hmac
import secrets
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.contrib.auth.models import Group
from django.contrib.auth.views import LoginView
from django.core.cache import cache
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from parts.acting import may

from . import roles
from .account_forms import FirstRunForm, InviteForm, MeForm, PasswordForm, SignInForm
from .models import Person

TRIES, WITHIN = 10, 600  # sign-in attempts per name and address, seconds
CODE_FILE = "first-run-code"


def first_run_code(data: Path) -> str:
    """The code that `serve` shows on its console while nobody has an account, so that no stranger takes the first."""
    path = data / CODE_FILE
    if not path.exists():
        data.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_text(f"{secrets.randbelow(10**6):06d}")
    return path.read_text().strip()


class SignIn(LoginView):
    """Ten tries in ten minutes for a name from an address; then a pause."""

    template_name = "accounts/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    @method_decorator(sensitive_post_parameters("password"))
    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not Person.objects.exists():
            return redirect("first-run")
        return super().dispatch(request, *args, **kwargs)

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        key = f"sign-in:{request.META.get('REMOTE_ADDR')}:{request.POST.get('username', '')[:150].lower()}"
        cache.add(key, 0, WITHIN)
        if cache.incr(key) > TRIES:
            form = self.get_form()
            form.full_clean()
            form.errors.clear()
            form.add_error(None, "Too many tries with this name. Wait ten minutes, or ask a lead for a new password.")
            return self.render_to_response(self.get_context_data(form=form), status=429)
        response = super().post(request, *args, **kwargs)
        if response.status_code == 302:
            cache.delete(key)
        return response


@sensitive_post_parameters("password", "again", "code")
@require_http_methods(["GET", "POST"])
def first_run(request: HttpRequest) -> HttpResponse:
    """The first lead's account, while nobody has one. Asks for the code shown where the server was started."""
    if Person.objects.exists():
        return redirect("sign-in")
    form = FirstRunForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        if not hmac.compare_digest(form.cleaned_data["code"], first_run_code(settings.DATA_DIR)):
            form.add_error("code", "This is not the code. It stands in the window where the server was started.")
        else:
            person = _make_first(form.cleaned_data)
            if person is None:
                return redirect("sign-in")
            login(request, person)
            messages.success(request, "You are the first lead. Make a kit, then ask a second lead to join you.")
            return redirect("kits:new")
    return render(request, "accounts/first_run.html", {"form": form})


@transaction.atomic
def _make_first(data: dict[str, Any]) -> Person | None:
    """The account, or None when somebody else was faster."""
    group = Group.objects.select_for_update().get(name=roles.LEAD)
    if Person.objects.exists():
        return None
    person = Person.objects.create_user(
        data["username"],
        password=data["password"],
        first_name=data["first_name"],
        last_name=data["last_name"],
        is_staff=True,
    )
    person.groups.add(group)
    (settings.DATA_DIR / CODE_FILE).unlink(missing_ok=True)
    return person


@require_http_methods(["GET", "POST"])
@login_required
def me(request: HttpRequest) -> HttpResponse:
    """Name, phone, look and unit of the person who is signed in."""
    form = MeForm(request.POST or None, instance=request.user)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Saved.")
        return redirect("me")
    return render(request, "accounts/me.html", {"form": form})


@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
@login_required
def change_password(request: HttpRequest) -> HttpResponse:
    form = PasswordForm(request.user, request.POST or None)
    if request.method == "POST" and form.is_valid():
        update_session_auth_hash(request, form.save())
        messages.success(request, "Your password was changed.")
        return redirect("me")
    return render(request, "accounts/password.html", {"form": form})


@require_safe
@may("proofmark.view_person")
def people(request: HttpRequest) -> HttpResponse:
    rows = Person.objects.prefetch_related("groups").order_by("-is_active", "first_name", "username")
    return render(request, "accounts/people.html", {"people": rows})


@require_http_methods(["GET", "POST"])
@may("proofmark.add_person")
def invite(request: HttpRequest) -> HttpResponse:
    """An account with a role and a password that is shown once."""
    form = InviteForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        password = _one_time_password()
        with transaction.atomic():
            person = form.save(commit=False)
            person.set_password(password)
            person.save()
            person.groups.add(form.cleaned_data["role"])
        return render(request, "accounts/password_once.html", {"person": person, "password": password})
    return render(request, "accounts/invite.html", {"form": form})


@require_POST
@may("proofmark.change_person")
def new_password(request: HttpRequest, pk: int) -> HttpResponse:
    """A new password for somebody who forgot theirs, shown once."""
    person = get_object_or_404(Person, pk=pk)
    password = _one_time_password()
    person.set_password(password)
    person.save(update_fields=["password"])
    return render(request, "accounts/password_once.html", {"person": person, "password": password})


@require_POST
@may("proofmark.change_person")
def set_active(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a person in or keep them out. What they wrote stays theirs."""
    person = get_object_or_404(Person, pk=pk)
    if person.pk == request.user.pk:
        messages.error(request, "You cannot keep yourself out. Ask another lead.")
    else:
        person.is_active = request.POST.get("active") == "1"
        person.save(update_fields=["is_active"])
        messages.success(request, f"{person} may {'sign in again' if person.is_active else 'no longer sign in'}.")
    return redirect("people")


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    """The form was open too long or came from elsewhere: going back keeps what was typed."""
    return render(request, "403_csrf.html", status=403)


def _one_time_password() -> str:
    letters = "abcdefghjkmnpqrstuvwxyz23456789"
    return "-".join("".join(secrets.choice(letters) for _ in range(4)) for _ in range(3))
