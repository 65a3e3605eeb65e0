"""A form whose file came in whole does not ask for it again when something else on the form was wrong."""

from datetime import timedelta
from pathlib import PurePath
from typing import Any

from django import forms
from django.core import signing

from logbook.models import StoredFile

KEPT_FOR = timedelta(hours=12)
SALT = "parts.kept-file"


class KeptFileForm(forms.Form):
    """Has a field `file`, not required: either it or a file kept from an earlier sending counts."""

    choose_file = "Choose a file."
    kept = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kept_file, self.kept_name = self._kept()

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        if not data.get("file") and not self.kept_file and "file" not in self.errors:
            self.add_error("file", self.choose_file)
        return data

    @property
    def original_name(self) -> str:
        upload = self.cleaned_data.get("file")
        return PurePath(upload.name).name if upload else self.kept_name

    def keep(self, stored: StoredFile) -> None:
        """Show the form again without asking for the file again."""
        name = self.original_name
        self.kept_file, self.kept_name = stored, name
        self.change(kept=signing.dumps([stored.sha256, name], salt=SALT))

    def forget(self) -> None:
        """Ask for the file again: the one that was sent is not sound."""
        self.kept_file, self.kept_name = None, ""
        self.change(kept="")

    def change(self, **values: str) -> None:
        """Put values in place of what was sent, before the form is shown again."""
        self.data = self.data.copy()
        for name, value in values.items():
            self.data[name] = value

    def _kept(self) -> tuple[StoredFile | None, str]:
        try:
            sha256, name = signing.loads(self.data.get("kept", ""), salt=SALT, max_age=KEPT_FOR)
        except (signing.BadSignature, ValueError):
            return None, ""
        return StoredFile.objects.filter(sha256=sha256).first(), name
