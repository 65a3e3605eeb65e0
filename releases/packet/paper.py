"""Drawing a packet on A4: title block, gate, characteristics, scans, trials, lessons, signatures, hashes."""

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from xml.sax.saxutils import escape

import reportlab
import segno
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from .content import Content, ScanSheet
from .marks import GRAPHITE, INK, LEAD, RULE, Mark

FONTS = Path(reportlab.__file__).parent / "fonts"
TEXT, BOLD = "Vera", "VeraBd"
MARGIN, FOOT = 12 * mm, 16 * mm
WIDTH = A4[0] - 2 * MARGIN
WARNING = "Proofmark. A print can be old: read the tag before you install."
DISCLAIMER = "Records results; does not replace a licensed engineer, the inspector or local code."


def _style(name: str, size: float, *, bold: bool = False, color: object = GRAPHITE, **more: float) -> ParagraphStyle:
    return ParagraphStyle(
        name, fontName=BOLD if bold else TEXT, fontSize=size, leading=size * 1.35, textColor=color, **more
    )


BODY = _style("body", 8)
SMALL = _style("small", 7, color=LEAD)
STRONG = _style("strong", 8, bold=True)
HEAD = _style("head", 11, bold=True, spaceBefore=10, spaceAfter=4)
TITLE = _style("title", 15, bold=True)
VERDICT = _style("verdict", 12, bold=True, spaceBefore=6, spaceAfter=2)
MONO = ParagraphStyle("mono", fontName="Courier", fontSize=7, leading=9.5, textColor=GRAPHITE)


def draw(content: Content) -> bytes:
    """The packet as PDF bytes."""
    for name, file in ((TEXT, "Vera.ttf"), (BOLD, "VeraBd.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(FONTS / file)))
    target = BytesIO()
    document = BaseDocTemplate(
        target,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=FOOT,
        title=f"{content.part_number} {content.letter}: packet of the release",
        author="Proofmark",
        invariant=1,
    )
    frame = Frame(MARGIN, FOOT, WIDTH, A4[1] - MARGIN - FOOT - 11 * mm, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate("sheet", [frame], onPage=lambda c, d: _edge(c, d, content)))
    document.build(list(_story(content)))
    return target.getvalue()


def _edge(canvas, document, content: Content) -> None:
    """The running head and the foot of every page."""
    canvas.saveState()
    top = A4[1] - MARGIN
    canvas.setFont(BOLD, 8)
    canvas.setFillColor(GRAPHITE)
    canvas.drawString(MARGIN, top - 8, f"{content.part_number} {content.letter}  {content.title}")
    canvas.setFont(TEXT, 7)
    canvas.setFillColor(LEAD)
    invented = "  Invented for demonstration." if content.invented else ""
    canvas.drawRightString(A4[0] - MARGIN, top - 8, f"{content.kit}.{invented}")
    canvas.setStrokeColor(GRAPHITE)
    canvas.setLineWidth(0.7)
    canvas.line(MARGIN, top - 12, A4[0] - MARGIN, top - 12)
    canvas.line(MARGIN, FOOT - 6, A4[0] - MARGIN, FOOT - 6)
    canvas.drawString(MARGIN, FOOT - 15, WARNING)
    canvas.drawString(MARGIN, FOOT - 24, DISCLAIMER)
    canvas.drawRightString(A4[0] - MARGIN, FOOT - 15, f"page {document.page}, evidence {content.evidence_hash[:12]}")
    canvas.restoreState()


def _story(content: Content):
    yield _title_block(content)
    yield Paragraph(f"Buildable since {content.released}", VERDICT)
    yield Paragraph(
        f"Signed by {escape(', '.join(name for name, _, _ in content.signatures))} on the evidence below. "
        "Whether one piece may go in, only its tag says.",
        BODY,
    )
    yield from _section("What changed, and why", [_p(content.what_changed), _p(content.why)])
    if content.cautions:
        yield from _section("Cautions", [Paragraph(f"• {escape(line)}", BODY) for line in content.cautions])
    yield from _gate(content)
    yield from _characteristics(content)
    for scan in content.scans:
        yield from _scan(scan)
    yield from _trials(content)
    yield from _lessons(content)
    yield from _signatures(content)
    yield from _hashes(content)


def _p(text: str, style: ParagraphStyle = BODY) -> Paragraph:
    return Paragraph(escape(text), style)


def _section(title: str, body: Sequence[Flowable]):
    """A heading that never stands alone at the foot of a page."""
    body = list(body)
    yield KeepTogether([Paragraph(title, HEAD), *body[:1]])
    yield from body[1:]


def _table(rows: list[list], widths: list[float], *, head: bool = True, extra: Sequence[tuple] = ()) -> Table:
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 2.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    if head:
        style.append(("LINEBELOW", (0, 0), (-1, 0), 0.9, GRAPHITE))
    return Table(
        rows,
        [WIDTH * share for share in widths],
        repeatRows=int(head),
        splitInRow=0,
        style=TableStyle([*style, *extra]),
    )


def _title_block(content: Content) -> Table:
    def cell(label: str, value: str, style: ParagraphStyle = STRONG) -> list[Flowable]:
        return [_p(label, SMALL), _p(value, style)]

    code = _qr(content.address or f"{content.part_number} {content.letter} evidence {content.evidence_hash}", 23 * mm)
    rows = [
        [cell("Title", content.title, TITLE), "", cell("Part number", content.part_number, TITLE),
         cell("Revision", content.letter, TITLE), code],
        [cell("Drawn by", content.author), cell("Put forward by", content.put_forward),
         cell("Material", content.material), cell("Status", "buildable"), ""],
    ]  # fmt: skip
    shares = [0.22, 0.26, 0.24, 0.14, 0.14]
    return Table(
        rows,
        [WIDTH * share for share in shares],
        style=TableStyle(
            [
                ("BOX", (0, 0), (-1, -1), 2, INK),
                ("INNERGRID", (0, 0), (-1, -1), 0.7, GRAPHITE),
                ("SPAN", (0, 0), (1, 0)),
                ("SPAN", (4, 0), (4, 1)),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("ALIGN", (4, 0), (4, 1), "CENTER"),
                ("VALIGN", (4, 0), (4, 1), "MIDDLE"),
            ]
        ),
    )


def _qr(text: str, side: float) -> Image:
    picture = BytesIO()
    segno.make(text, error="m", micro=False).save(picture, kind="png", scale=8, border=2)
    picture.seek(0)
    return Image(picture, side, side)


def _gate(content: Content):
    rows = [[_p("Verdict", SMALL), _p("Check", SMALL), _p("What the evidence said at sign-off", SMALL)]]
    for check in content.checks:
        rows.append([Mark(check.verdict, TEXT), [_p(check.title, STRONG), _p(check.asked, SMALL)], _p(check.sentence)])
    yield from _section("Gate", [_table(rows, [0.17, 0.28, 0.55])])
    if content.concessions:
        lines = [Paragraph(f"<b>{escape(name)}</b> {escape(text)}", BODY) for name, text in content.concessions]
        yield from _section("Concessions", lines)


def _characteristics(content: Content):
    if not content.characteristics:
        return
    rows = [[_p(text, SMALL) for text in ("No.", "Characteristic", "Asked", "Cast", "Measured", "By", "Result")]]
    for item in content.characteristics:
        readings = item.readings or (("", "", "not measured", ""),)
        for place, (serial, value, result, instrument) in enumerate(readings):
            first = place == 0
            rows.append(
                [
                    _p(str(item.number)) if first else "",
                    [_p(item.name, STRONG), _p(item.weight, SMALL)] if first else "",
                    _p(item.asked) if first else "",
                    _p(serial),
                    _p(value),
                    _p(instrument),
                    Mark(result, TEXT, 7.5),
                ]
            )
    yield from _section(
        "Characteristics, value ± expanded uncertainty", [_table(rows, [0.05, 0.21, 0.16, 0.13, 0.2, 0.07, 0.18])]
    )


def _scan(scan: ScanSheet):
    facts = [[_p(label, SMALL), _p(value)] for label, value in scan.facts]
    half = (len(facts) + 1) // 2
    pairs = [[*left, *right] for left, right in zip(facts[:half], [*facts[half:], ["", ""]], strict=False)]
    yield CondPageBreak(240 * mm)  # a scan has a page of its own
    yield from _section(scan.title, [_p(scan.sentence, STRONG), Spacer(1, 3)])
    yield _table(pairs, [0.12, 0.38, 0.12, 0.38], head=False)
    yield Spacer(1, 4)
    # The lettering in the pictures is legible on paper at full width only.
    for view, data in scan.pictures:
        picture = Image(BytesIO(data))
        picture._restrictSize(WIDTH, 98 * mm)
        yield KeepTogether([picture, _p(view, SMALL)])


def _trials(content: Content):
    for trial in content.trials:
        body: list[Flowable] = [_p(trial.about)]
        if trial.gaps:
            rows = [[_p(text, SMALL) for text in ("Interface", "Gap", "Asked at this scale", "Result")]]
            rows += [[_p(name), _p(gap), _p(asked), Mark(result, TEXT, 7.5)] for name, gap, asked, result in trial.gaps]
            body.append(_table(rows, [0.4, 0.14, 0.24, 0.22]))
        if trial.went_wrong:
            body.append(Paragraph(f"<b>What went wrong:</b> {escape(trial.went_wrong)}", BODY))
        yield from _section(escape(trial.title), body)


def _lessons(content: Content):
    if content.lessons:
        rows = [[_p(text, SMALL) for text in ("Lesson", "Action", "Standing", "What proves it")]]
        rows += [
            [_p(name, STRONG), _p(action), _p(standing), _p(proof)] for name, action, standing, proof in content.lessons
        ]
        yield from _section("Lessons", [_table(rows, [0.3, 0.3, 0.12, 0.28])])


def _signatures(content: Content):
    rows = [[_p(text, SMALL) for text in ("Signed by", "Meaning", "When")]]
    rows += [[_p(name, STRONG), _p(meaning), _p(when)] for name, meaning, when in content.signatures]
    yield from _section("Sign-off", [_table(rows, [0.3, 0.4, 0.3])])


def _hashes(content: Content):
    rows = [[_p(what), Paragraph(digest, MONO)] for what, digest in content.hashes]
    rows += [
        [_p(f"evidence of check {check.title.lower()}"), Paragraph(check.evidence_hash, MONO)]
        for check in content.checks
    ]
    rows.append([_p("all evidence together", STRONG), Paragraph(content.evidence_hash, MONO)])
    yield from _section("Content hashes (SHA-256)", [_table(rows, [0.38, 0.62], head=False)])
