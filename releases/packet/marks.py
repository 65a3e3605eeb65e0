"""The verdict marks on paper: shape first, word beside it. Points are 1/72 inch."""

from reportlab.lib.colors import HexColor, white
from reportlab.platypus import Flowable

INK = HexColor("#0d2f6b")
GRAPHITE = HexColor("#1d2227")
LEAD = HexColor("#545c65")
RULE = HexColor("#c4cad0")


class Mark(Flowable):
    """One mark with its word, on one line."""

    def __init__(self, verdict: str, font: str, size: float = 8) -> None:
        super().__init__()
        self.verdict, self.font, self.size = verdict, font, size

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        return available_width, 13

    def draw(self) -> None:
        canvas, radius = self.canv, 4.6
        canvas.saveState()
        canvas.translate(radius + 1.2, 5.6)
        draw = getattr(self, "_" + self.verdict.replace(" ", "_").replace("'", ""), self._not_applicable)
        draw(canvas, radius)
        canvas.restoreState()
        canvas.setFillColor(GRAPHITE)
        canvas.setFont(self.font, self.size)
        canvas.drawString(2 * radius + 7, 2.9, self.verdict)

    def _pass(self, canvas, r: float) -> None:
        canvas.setFillColor(INK)
        canvas.circle(0, 0, r, stroke=0, fill=1)
        canvas.setStrokeColor(white)
        canvas.setLineWidth(1.3)
        canvas.lines([(-2.2, -0.2, -0.6, -1.9), (-0.6, -1.9, 2.4, 1.8)])

    def _fail(self, canvas, r: float) -> None:
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.8)
        for k in range(-3, 4):
            canvas.line(k * 2 - 2, -2 - 2.6, k * 2 + 2, 2 + 2.6)
        canvas.setFillColor(white)
        canvas.setLineWidth(1.2)
        canvas.circle(0, 0, r - 0.7, stroke=1, fill=1)
        canvas.lines([(-1.7, -1.7, 1.7, 1.7), (-1.7, 1.7, 1.7, -1.7)])

    def _inconclusive(self, canvas, r: float) -> None:
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(1.2)
        canvas.circle(0, 0, r - 0.4, stroke=1, fill=0)
        canvas.line(0, -2.6, 0, 2.6)

    def _missing(self, canvas, r: float) -> None:
        canvas.setStrokeColor(LEAD)
        canvas.setLineWidth(1)
        canvas.setDash(2, 1.3)
        canvas.circle(0, 0, r - 0.4, stroke=1, fill=0)

    def _conceded(self, canvas, r: float) -> None:
        canvas.setStrokeColor(INK)
        canvas.setFillColor(INK)
        canvas.setLineWidth(1.1)
        canvas.wedge(-r + 0.4, -r + 0.4, r - 0.4, r - 0.4, 90, 180, stroke=0, fill=1)
        canvas.circle(0, 0, r - 0.4, stroke=1, fill=0)

    def _not_applicable(self, canvas, r: float) -> None:
        canvas.setStrokeColor(LEAD)
        canvas.setLineWidth(1.1)
        canvas.line(-2.4, 0, 2.4, 0)

    _conforms = _pass
    _does_not_conform = _fail
    _not_measured = _missing
