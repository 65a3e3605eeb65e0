"""Signing in and out, the first account, one's own settings, and the people that a lead looks after."""

import hashlib
import hmac
import time
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.contrib.auth.views import LoginView
from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from parts.acting import may
from parts.errors import Refusal

from . import people as acts
from .account_forms import FirstRunForm, InviteForm, MeForm, PasswordForm, SignInForm
from .models import Person

TRIES, WITHIN = 10, 600  # wrong answers, in seconds


def too_many(key: str) -> bool:
    """Count one more try under this key; True when there were more than TRIES in the last WITHIN seconds."""
    now = time.time()
    tries = [moment for moment in cache.get(key, []) if now - moment < WITHIN]
    cache.set(key, [*tries, now][-TRIES - 1 :], WITHIN)
    return len(tries) >= TRIES


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

    def get_form_kwargs(self) -> dict[str, Any]:
        kwargs = super().get_form_kwargs()
        if self.request.method == "POST":
            kwargs["paused"] = too_many(self._key())
        return kwargs

    def form_valid(self, form: SignInForm) -> HttpResponse:
        cache.delete(self._key())
        return super().form_valid(form)

    def form_invalid(self, form: SignInForm) -> HttpResponse:
        response = super().form_invalid(form)
        response.status_code = 429 if form.paused else 200
        return response

    def _key(self) -> str:
        tried = f"{self.request.META.get('REMOTE_ADDR')} {self.request.POST.get('username', '').lower()}"
        return f"sign-in:{hashlib.sha256(tried.encode(errors='replace')).hexdigest()}"


@sensitive_post_parameters("password", "again", "code")
@require_http_methods(["GET", "POST"])
def first_run(request: HttpRequest) -> HttpResponse:
    """The first lead's account, while nobody has one. Asks for the code shown where the server was started."""
    if Person.objects.exists():
        return redirect("sign-in")
    form = FirstRunForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        data = dict(form.cleaned_data)
        code, _ = data.pop("code"), data.pop("again")
        if too_many("first-run"):
            form.add_error("code", "Too many tries. Wait ten minutes, or start the server again.")
        elif not hmac.compare_digest(code.encode(), acts.first_run_code(settings.DATA_DIR).encode()):
            form.add_error("code", "This is not the code. It stands in the window where the server was started.")
        else:
            person = acts.make_first_lead(**data)
            if person is None:
                return redirect("sign-in")
            login(request, person)
            messages.success(request, "You are the first lead. Make a kit, then ask a second lead to join you.")
            return redirect("kits:new")
    return render(request, "accounts/first_run.html", {"form": form})


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
        person = form.save(commit=False)
        password = acts.let_in(person, form.cleaned_data["role"], by=request.user)
        return render(request, "accounts/password_once.html", {"person": person, "password": password})
    return render(request, "accounts/invite.html", {"form": form})


@require_POST
@may("proofmark.change_person")
def new_password(request: HttpRequest, pk: int) -> HttpResponse:
    """A new password for somebody who forgot theirs, shown once."""
    person = get_object_or_404(Person, pk=pk)
    password = acts.give_new_password(person, by=request.user)
    return render(request, "accounts/password_once.html", {"person": person, "password": password})


@require_POST
@may("proofmark.change_person")
def set_active(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a person in or keep them out. What they wrote stays theirs."""
    person = get_object_or_404(Person, pk=pk)
    active = request.POST.get("active") == "1"
    try:
        acts.set_active(person, active, by=request.user)
    except Refusal as refusal:
        messages.error(request, refusal.sentence)
    else:
        messages.success(request, f"{person} may {'sign in again' if active else 'no longer sign in'}.")
    return redirect("people")


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    """The form was open too long or came from elsewhere: going back keeps what was typed."""
    return render(request, "403_csrf.html", status=403)
