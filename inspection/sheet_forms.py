"""The forms of a sheet of measured values: the file with what holds for all of it, and what stands in which column."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.core import signing
from django.utils import timezone

from casting.forms import Moment
from logbook.models import StoredFile
from metrology.amounts.sheet_cells import Cells
from parts.kept import KeptFileForm
from parts.models import Kit

from .entry_units import LENGTHS
from .models import Instrument
from .queries import instruments_of
from .sheet_layout import ROLES, Layout

SHOWN_SALT = "inspection.shown-sheet"
LARGEST_TEXT = 1_000_000
DELIMITERS = [
    ("tab", "tabs"), ("semicolon", "semicolons"), ("comma", "commas"), ("bar", "bars"),
    ("gaps", "two blanks or more"), ("spaces", "blanks"),
]  # fmt: skip
DECIMALS = [("point", "a point, 1.5"), ("comma", "a comma, 1,5")]


class SheetForm(KeptFileForm):
    """A file, or rows pasted into a box; the instrument, unit and moment for rows that name none of their own."""

    choose_file = "Choose a file, or paste the rows below."
    file = forms.FileField(
        label="XLSX, CSV or text file",
        required=False,
        widget=forms.ClearableFileInput(attrs={"accept": ".xlsx,.xlsm,.csv,.tsv,.txt,.asc,.dat,.rpt,.log,.out"}),
        help_text="At most 20\u00a0MB and 20\u00a0000 rows.",
        error_messages={"empty": "The file is empty (0 bytes). Export it again."},
    )
    text = forms.CharField(
        label="Or rows from a spreadsheet",
        widget=forms.Textarea(attrs={"rows": 4, "spellcheck": "false"}),
        required=False,
        strip=False,
        max_length=LARGEST_TEXT,
    )
    instrument = forms.ModelChoiceField(label="Measured with", queryset=Instrument.objects.none())
    unit = forms.ChoiceField(label="Lengths in", choices=list(LENGTHS.items()))
    measured_at = Moment(label="Measured at")
    serial = forms.CharField(
        label="Serial", max_length=40, required=False, help_text="When no column of the sheet names the cast."
    )

    def __init__(self, *args: Any, kit: Kit, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["instrument"].queryset = instruments_of(kit)
        self.initial = {"unit": unit, "measured_at": timezone.now()} | self.initial

    def clean(self) -> dict[str, Any]:
        if self.data.get("text", "").strip() and not self.files:
            self.errors.pop("file", None)
            return self.cleaned_data
        return super().clean()

    @property
    def pasted(self) -> str:
        """Rows from the box, when no file came with them."""
        text = self.cleaned_data.get("text") or ""
        return text if text.strip() and not self.cleaned_data.get("file") else ""


class LayoutForm(forms.Form):
    """What stands in which column of the cells shown. Fields "role-0", "role-1", …"""

    worksheet = forms.ChoiceField(label="Worksheet")
    delimiter = forms.ChoiceField(label="Columns are parted by", choices=DELIMITERS)
    decimal = forms.ChoiceField(label="Decimals follow", choices=DECIMALS)
    heading = forms.IntegerField(
        label="Headings stand in line",
        min_value=0,
        max_value=900,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        help_text="0 when there are none.",
        error_messages={
            "invalid": "Write a whole number, as 1.",
            "required": "Write in which line the headings stand; 0 when there are none.",
        },
    )
    fill_down = forms.BooleanField(label="An empty serial or name means the one above it", required=False)
    leave_out = forms.BooleanField(label="Leave the faulty cells out and import the others", required=False)

    def __init__(self, *args: Any, cells: Cells, places: Sequence[tuple[str, str]], columns: int, **kwargs: Any):
        super().__init__(*args, **kwargs)
        if cells.is_text:
            del self.fields["worksheet"]
        else:
            self.fields["worksheet"].choices = [(name, name) for name in cells.worksheets]
            del self.fields["delimiter"], self.fields["decimal"]
        choices = [(role, words) for role, words in ROLES.items()]
        if places:
            choices.append(("On the drawing", list(places)))
        for place in range(columns):
            self.fields[f"role-{place}"] = forms.ChoiceField(
                label=f"Column {place + 1}", choices=choices, required=False
            )
        self.columns = columns

    def layout(self, unit: str) -> Layout | None:
        if not self.is_valid():
            return None
        data = self.cleaned_data
        return Layout(
            roles=tuple(data[f"role-{place}"] for place in range(self.columns)),
            heading=data["heading"],
            unit=unit,
            fill_down=data["fill_down"],
            worksheet=data.get("worksheet", ""),
            delimiter=data.get("delimiter", ""),
            decimal=data.get("decimal", ""),
        )

    @staticmethod
    def initial_of(layout: Layout) -> dict[str, Any]:
        roles = {f"role-{place}": role for place, role in enumerate(layout.roles)}
        return roles | {
            "heading": layout.heading, "fill_down": layout.fill_down, "worksheet": layout.worksheet,
            "delimiter": layout.delimiter, "decimal": layout.decimal,
        }  # fmt: skip


def sign_shown(stored: StoredFile, layout: Layout, rest: Sequence[Any]) -> str:
    return signing.dumps([stored.sha256, layout.as_stored(), [str(one) for one in rest]], salt=SHOWN_SALT)


def read_shown(text: str, stored: StoredFile) -> tuple[Layout, list[str]] | None:
    """The layout and the rest that were shown of this very file; None for another file, or none."""
    try:
        sha256, layout, rest = signing.loads(text, salt=SHOWN_SALT)
    except (signing.BadSignature, ValueError):
        return None
    return (Layout.from_stored(layout), rest) if sha256 == stored.sha256 else None
