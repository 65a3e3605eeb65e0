"""Tags on paper: an A4 sheet of QR labels. A label carries identity, never a status."""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import reportlab
import segno
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

FONTS = Path(reportlab.__file__).parent / "fonts"
COLUMNS, ROWS = 2, 5
WIDTH, HEIGHT = 95 * mm, 54 * mm
LEFT, TOP = (A4[0] - COLUMNS * WIDTH) / 2, (A4[1] - ROWS * HEIGHT) / 2
SIDE = 40 * mm


@dataclass(frozen=True)
class Label:
    """What one label says. address: the tag's full address, coded in the QR symbol."""

    kit: str
    part_number: str
    name: str
    letter: str
    serial: str
    code: str
    address: str


def matrix(text: str) -> tuple[tuple[int, ...], ...]:
    """The QR symbol of a text as rows of 0 and 1, without quiet zone (ISO/IEC 18004, level M or better)."""
    return tuple(tuple(row) for row in segno.make(text, error="m", micro=False, boost_error=True).matrix)


def sheet(labels: Sequence[Label]) -> bytes:
    """A PDF with ten labels a page, with cutting marks."""
    for name, file in (("Vera", "Vera.ttf"), ("VeraBd", "VeraBd.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(FONTS / file)))
    target = BytesIO()
    canvas = Canvas(target, pagesize=A4, invariant=1)
    canvas.setTitle("Tags")
    for place, label in enumerate(labels):
        slot = place % (COLUMNS * ROWS)
        if place and slot == 0:
            canvas.showPage()
        if slot == 0:
            _cutting_marks(canvas)
        column, row = slot % COLUMNS, slot // COLUMNS
        _draw(canvas, label, LEFT + column * WIDTH, A4[1] - TOP - (row + 1) * HEIGHT)
    canvas.save()
    return target.getvalue()


def _cutting_marks(canvas: Canvas) -> None:
    canvas.setLineWidth(0.3)
    canvas.setStrokeGray(0.45)
    for column in range(COLUMNS + 1):
        x = LEFT + column * WIDTH
        canvas.lines([(x, TOP - 5 * mm, x, TOP - mm), (x, A4[1] - TOP + mm, x, A4[1] - TOP + 5 * mm)])
    for row in range(ROWS + 1):
        y = TOP + row * HEIGHT
        canvas.lines([(LEFT - 5 * mm, y, LEFT - mm, y), (A4[0] - LEFT + mm, y, A4[0] - LEFT + 5 * mm, y)])
    canvas.setStrokeGray(0)


def _draw(canvas: Canvas, label: Label, x: float, y: float) -> None:
    symbol = matrix(label.address)
    module = SIDE / len(symbol)
    left, top = x + 5 * mm, y + (HEIGHT + SIDE) / 2
    canvas.setFillGray(0)
    for row, cells in enumerate(symbol):
        for column, dark in enumerate(cells):
            if dark:
                # A hair wider than the module, so that no white line shows between two dark ones.
                canvas.rect(
                    left + column * module, top - (row + 1) * module, module * 1.02, module * 1.02, stroke=0, fill=1
                )
    text, room = left + SIDE + 5 * mm, WIDTH - SIDE - 13 * mm
    line = y + HEIGHT - 11 * mm
    canvas.setFont("Vera", 6.5)
    canvas.drawString(text, line, label.kit[:34])
    line -= 8.5 * mm
    canvas.setFont("VeraBd", _fitting(label.serial, "VeraBd", 15, room))
    canvas.drawString(text, line, label.serial)
    line -= 6.5 * mm
    canvas.setFont("VeraBd", 10)
    canvas.drawString(text, line, f"{label.part_number}  {label.letter}")
    canvas.setFont("Vera", 7.5)
    for part in simpleSplit(label.name, "Vera", 7.5, room)[:2]:
        line -= 4 * mm
        canvas.drawString(text, line, part)
    canvas.setFont("Vera", 6.5)
    line = y + 11.5 * mm
    canvas.drawString(text, line, "Read it before you install:")
    canvas.drawString(text, line - 3.4 * mm, f"tag {label.code}")


def _fitting(text: str, font: str, size: float, room: float) -> float:
    width = pdfmetrics.stringWidth(text, font, size)
    return size if width <= room else max(7.0, size * room / width)
