"""Choosing photos and marking them."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from lessons.errors import PhotoRefused
from lessons.pictures import Picture, prepare
from parts.fields import DecimalCommaField

MOST_AT_ONCE = 8
AGAIN = "Choose the photo again: a page that comes back cannot keep a chosen file."
# The photo to touch is drawn in one of these widths, in CSS pixels: the place touched arrives in pixels of that width.
WIDTHS = {"narrow": 320, "middle": 620, "wide": 960}


class PhotoInput(forms.FileInput):
    allow_multiple_selected = True

    def __init__(self) -> None:
        # With this list a phone that stores another kind sends a JPEG instead.
        super().__init__(attrs={"accept": "image/jpeg,image/png"})


class PhotosField(forms.FileField):
    """Up to MOST_AT_ONCE photos, cleaned to a list of Picture; what is no photo is said here, with its name."""

    widget = PhotoInput

    def clean(self, data: Any, initial: Any = None) -> list[Picture]:
        files = [file for file in data or [] if file]
        if self.required and not files:
            raise ValidationError("Choose at least one photo.", code="required")
        if len(files) > MOST_AT_ONCE:
            raise ValidationError(f"Choose {MOST_AT_ONCE} photos at most, and the others after that.", code="many")
        return [self._read(file) for file in files]

    def _read(self, file: Any) -> Picture:
        try:
            return prepare(file)
        except PhotoRefused as refusal:
            raise ValidationError(f"{file.name}: {refusal.sentence}", code=refusal.code) from None


class WithPhotos(forms.Form):
    """A form that takes photos along, and says so when they must be chosen again."""

    photos = PhotosField(label="Photos", required=False, help_text="JPEG or PNG. Where they were taken is removed.")

    def full_clean(self) -> None:
        super().full_clean()
        if self.is_bound and self._errors:
            self.ask_for_photos_again()

    def ask_for_photos_again(self) -> None:
        if self.files.getlist(self.add_prefix("photos")) and "photos" not in self._errors:
            self.add_error("photos", AGAIN)


class PhotoForm(WithPhotos):
    photos = PhotosField(label="Photos", help_text="JPEG or PNG. Where they were taken is removed.")
    caption = forms.CharField(label="What they show", max_length=200, required=False)


class MarkForm(forms.Form):
    """What is to be seen, and where: touched on the photo, or written in percent."""

    text = forms.CharField(
        label="What is to be seen",
        max_length=200,
        error_messages={"required": "Say what is to be seen there, then set the mark."},
    )
    across = DecimalCommaField(label="From the left", unit="%", min_value=0, max_value=100, required=False)
    down = DecimalCommaField(label="From the top", unit="%", min_value=0, max_value=100, required=False)

    def __init__(self, data: Any = None, *, height_share: float) -> None:
        super().__init__(data and _with_touch(data, height_share))

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if None in (data.get("across"), data.get("down")) and not {"across", "down"} & set(self.errors):
            self.add_error("across", "Touch the place on the photo, or write where it is.")
        return data

    @property
    def place(self) -> dict[str, float]:
        return {"x": float(self.cleaned_data["across"]) / 100, "y": float(self.cleaned_data["down"]) / 100}


def _with_touch(data: Any, height_share: float) -> Any:
    """The place touched, written into the percent fields. A key pressed on the photo touches 0, 0: that is no place."""
    for name, width in WIDTHS.items():
        try:
            x, y = int(data[f"{name}.x"]), int(data[f"{name}.y"])
        except (KeyError, ValueError):
            continue
        if x or y:
            data = data.copy()
            data["across"] = f"{min(x / width, 1) * 100:.2f}"
            data["down"] = f"{min(y / (width * height_share), 1) * 100:.2f}"
    return data
