"""Forms for acts: the service checks and saves, the form only reads what was typed."""

from typing import Any

from django import forms


class ActForm(forms.ModelForm):
    """A form whose fields come from a model, but which never touches the record: services compare before and after."""

    def _post_clean(self) -> None:
        pass

    def save(self, commit: bool = True) -> Any:
        raise TypeError("Call the service with cleaned_data instead.")
