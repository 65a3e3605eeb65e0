"""Forms for acts: the service checks and saves, the form only reads what was typed."""

from typing import Any

from django import forms

from .errors import Refusal


class ActForm(forms.ModelForm):
    """A form whose fields come from a model, but which never touches the record: services compare before and after."""

    def _post_clean(self) -> None:
        pass

    def save(self, commit: bool = True) -> Any:
        raise NotImplementedError("Call the service with cleaned_data instead.")


def add_refusal(form: forms.BaseForm, refusal: Refusal) -> None:
    """Put a service's refusal beside the field it names, or above the form when it has no such field."""
    form.add_error(refusal.field if refusal.field in form.fields else None, refusal.sentence)
