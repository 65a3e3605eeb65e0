"""Forms about people."""

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.contrib.auth.models import Group
from django.contrib.auth.password_validation import validate_password

from .models import Person


class SignInForm(AuthenticationForm):
    error_messages = {
        "invalid_login": "This name and password do not belong together. Mind capitals; ask a lead for a new password.",
        "inactive": "This account was closed. Ask a lead.",
        "paused": "Too many tries with this name. Wait ten minutes, or ask a lead for a new password.",
    }

    def __init__(self, *args: Any, paused: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.paused = paused
        self.fields["username"].label = "Sign-in name"

    def clean(self) -> dict[str, Any]:
        """While paused, the password is not even looked at."""
        if self.paused:
            raise forms.ValidationError(self.error_messages["paused"], code="paused")
        return super().clean()


class NewPassword(forms.Form):
    """Password twice, checked by the project's rules."""

    password = forms.CharField(
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}), help_text="Ten characters or more."
    )
    again = forms.CharField(label="The same again", widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        password, again = cleaned.get("password"), cleaned.get("again")
        if password and again and password != again:
            self.add_error("again", "The two passwords differ. Type the same one twice.")
        elif password:
            try:
                validate_password(password)
            except forms.ValidationError as error:
                self.add_error("password", error)
        return cleaned


class FirstRunForm(NewPassword):
    code = forms.CharField(
        label="Code from the console",
        max_length=10,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "one-time-code"}),
        help_text="Six figures, shown in the window where the server was started.",
    )
    first_name = forms.CharField(max_length=150)
    last_name = forms.CharField(max_length=150)
    username = forms.SlugField(label="Sign-in name", max_length=150, help_text="Short, without blanks.")
    field_order = ["code", "first_name", "last_name", "username", "password", "again"]


class MeForm(forms.ModelForm):
    class Meta:
        model = Person
        fields = ["first_name", "last_name", "phone", "theme", "length_unit", "other_units"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # The name is the signature.
        self.fields["first_name"].required = self.fields["last_name"].required = True


class PasswordForm(PasswordChangeForm):
    error_messages = {
        "password_mismatch": "The two passwords differ. Type the same one twice.",
        "password_incorrect": "This is not your password so far. Type it again; mind capitals.",
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        old, new, again = (self.fields[name] for name in ("old_password", "new_password1", "new_password2"))
        old.label, new.label, again.label = "Password so far", "New password", "The same again"
        new.help_text, again.help_text = "Ten characters or more.", ""


class InviteForm(forms.ModelForm):
    role = forms.ModelChoiceField(queryset=Group.objects.order_by("name"), help_text="What they may do.")

    class Meta:
        model = Person
        fields = ["first_name", "last_name", "username", "phone"]
        labels = {"username": "Sign-in name"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["first_name"].required = self.fields["last_name"].required = True
        self.fields["username"].help_text = "Short, without blanks."
