"""The forms of a scan file: the file with its unit, and how a table of points is to be read."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.core import signing
from django.utils import timezone

from casting.forms import Moment
from logbook.models import StoredFile
from metrology.amounts.units import UNIT_NAMES
from metrology.reading import TableChoice, TablePreview
from metrology.reading.accepted import IN_WORDS, SUFFIXES
from parts.kept import KeptFileForm
from parts.models import Characteristic, Kit, LengthUnit

from .models import Instrument
from .queries import instruments_of

SHOWN_SALT = "inspection.shown-table"
FEWEST_CHOICES = 6
DELIMITERS = [("comma", "commas"), ("semicolon", "semicolons"), ("tab", "tabs"), ("space", "spaces")]
DECIMALS = [("point", "a point, 1.5"), ("comma", "a comma, 1,5")]


class ScanForm(KeptFileForm):
    """A scan file with its unit. likely_unit: set when the file states another one."""

    choose_file = "Choose the scan file."
    likely_unit = ""
    file = forms.FileField(
        label="Scan file",
        help_text=f"{IN_WORDS['scan']}; hundreds of megabytes are fine.",
        required=False,
        widget=forms.ClearableFileInput(attrs={"accept": ",".join(SUFFIXES["scan"])}),
        error_messages={"empty": "The file is empty (0 bytes). Export the scan again and check its size."},
    )
    unit = forms.ChoiceField(label="Unit of the file", choices=LengthUnit)
    instrument = forms.ModelChoiceField(label="Scanned with", queryset=Instrument.objects.none())
    scanned_at = Moment(label="Scanned at")

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        scanners = instruments_of(kit).filter(unit=Characteristic.Unit.MM)
        if scanners.filter(kind=Instrument.Kind.SCANNER).exists():
            scanners = scanners.filter(kind=Instrument.Kind.SCANNER)
        self.fields["instrument"].queryset = scanners
        self.initial.setdefault("unit", kit.length_unit)
        self.initial.setdefault("scanned_at", timezone.now())
        # The one-tap fix: the unit on the button that was pressed counts.
        if (unit := self.data.get("take_unit")) in UNIT_NAMES:
            self.change(unit=unit)

    @property
    def insists(self) -> bool:
        """Whether the person keeps this very unit although the file states another."""
        return bool(self.data.get("insist")) and self.data.get("insist") == self.data.get("unit")

    @property
    def likely_name(self) -> str:
        return UNIT_NAMES.get(self.likely_unit, "")


class TableForm(forms.Form):
    """How the rows of a table are read. What was shown last is signed, so that only what was seen is confirmed."""

    delimiter = forms.ChoiceField(label="Columns are parted by", choices=DELIMITERS)
    decimal = forms.ChoiceField(label="Decimals follow", choices=DECIMALS)
    skipped = forms.IntegerField(
        label="Lines before the first point",
        min_value=0,
        max_value=900,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages={
            "invalid": "Write a whole number, as 1.",
            "required": "Write how many lines stand before the first point; 0 when there are none.",
            "min_value": "Write 0 or more.",
            "max_value": "Write 900 or less.",
        },
    )
    x = forms.TypedChoiceField(label="Column of x", coerce=int)
    y = forms.TypedChoiceField(label="Column of y", coerce=int)
    z = forms.TypedChoiceField(label="Column of z", coerce=int)

    def __init__(self, *args: Any, columns: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sent = [int(n) for axis in "xyz" if (n := str(self.data.get(axis, ""))).isdigit() and len(n) < 4]
        most = max([columns, FEWEST_CHOICES, *sent])
        for axis in "xyz":
            self.fields[axis].choices = [(n, str(n)) for n in range(1, most + 1)]

    def choice(self) -> TableChoice | None:
        return TableChoice(**self.cleaned_data) if self.is_valid() else None


def sign_shown(stored: StoredFile, choice: TableChoice) -> str:
    return signing.dumps([stored.sha256, choice.as_stored()], salt=SHOWN_SALT)


def read_shown(text: str, stored: StoredFile) -> TableChoice | None:
    """The choice whose rows of this very file were shown; None for another file, or none."""
    try:
        sha256, choice = signing.loads(text, salt=SHOWN_SALT)
    except (signing.BadSignature, ValueError):
        return None
    return TableChoice.from_stored(choice) if sha256 == stored.sha256 else None


def heads(preview: TablePreview) -> Sequence[str]:
    """What each column is read as: x, y, z or nothing."""
    named = dict(zip(preview.choice.axes, "xyz", strict=True))
    return [
        named.get(place, "") for place in range(len(max((row.fields for row in preview.rows), key=len, default=())))
    ]
