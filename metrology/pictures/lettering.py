"""Text in a picture, with the one font that comes with Pillow: no font of the machine is needed."""

import unicodedata
from functools import lru_cache

from PIL import Image, ImageDraw, ImageFont

from metrology.pictures.palette import GRAPHITE, Colour
from metrology.wording import MINUS, NBSP

# The font has ASCII and a few signs; these read the same when drawn so.
_DRAWN_AS = {
    NBSP: " ",
    "\u202f": " ",
    "\u2009": " ",
    "\u2010": "-",
    "\u2011": "-",
    "\u2012": "-",
    "\u2013": "-",
    "\u2014": "-",
    "×": "x",
    "ß": "ss",
    "ø": "o",
    "Ø": "O",
    "æ": "ae",
    "ł": "l",
}
_EXTRA = frozenset("±°·‘’“”…«»´©" + MINUS)


@lru_cache(maxsize=32)
def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size=size)
    if not isinstance(font, ImageFont.FreeTypeFont):  # pragma: no cover - Pillow without FreeType
        raise RuntimeError("Pillow was built without FreeType. Install the usual Pillow package.")
    return font


def plain(text: str) -> str:
    """The text in characters that the font has; accents are dropped."""
    swapped = "".join(_DRAWN_AS.get(letter, letter) for letter in text)
    kept = [c if c in _EXTRA else unicodedata.normalize("NFKD", c) for c in swapped]
    return "".join(c for c in "".join(kept) if not unicodedata.combining(c))


def drawable(text: str) -> bool:
    return all(" " <= letter <= "~" or letter in _EXTRA for letter in plain(text))


class Lettering:
    """Writes on one image. unit: 1.0 for a picture 1200 px wide."""

    def __init__(self, image: Image.Image, unit: float) -> None:
        self._draw = ImageDraw.Draw(image)
        self._unit = unit

    def size(self, size: float) -> int:
        return max(round(size * self._unit), 8)

    def width(self, text: str, size: float, *, bold: bool = False) -> float:
        font = _font(self.size(size))
        words = sum(font.getlength(word.replace(MINUS, "+")) for word in plain(text).split(" "))
        return words + plain(text).count(" ") * self._gap(size) + (self._bolder(size) if bold else 0.0)

    def fitted(self, text: str, size: float, most: float, *, bold: bool = False) -> str:
        """The text, cut short with … where it is wider than `most` px."""
        if self.width(text, size, bold=bold) <= most:
            return text
        while text and self.width(text + "…", size, bold=bold) > most:
            text = text[:-1].rstrip()
        return text + "…"

    def write(
        self,
        at: tuple[float, float],
        text: str,
        size: float,
        *,
        bold: bool = False,
        fill: Colour = GRAPHITE,
        anchor: str = "l",
    ) -> None:
        """at: left, middle ("m") or right ("r") end of the base line, px."""
        x, y = at[0] - self.width(text, size, bold=bold) * {"l": 0.0, "m": 0.5, "r": 1.0}[anchor], round(at[1])
        x = round(x)
        font = _font(self.size(size))
        for word in plain(text).split(" "):
            for number, part in enumerate(word.split(MINUS)):
                if number:
                    x = self._minus(x, y, font, fill, bold)
                for shift in (0.0, self._bolder(size)) if bold else (0.0,):
                    self._draw.text((x + shift, y), part, font=font, fill=fill, anchor="ls")
                x += font.getlength(part)
            x += self._gap(size)

    def _gap(self, size: float) -> float:
        """The font's own space is too narrow for letters made bolder."""
        return round(0.3 * self.size(size))

    def _bolder(self, size: float) -> float:
        return max(self.size(size) / 28, 0.5)

    def _minus(self, x: float, y: float, font: ImageFont.FreeTypeFont, fill: Colour, bold: bool) -> float:
        """The font has no minus sign: a bar as wide and as high up as that of its plus."""
        left, top, right, bottom = font.getbbox("+", anchor="ls")
        thick = max(round(font.size * (0.11 if bold else 0.085)), 1)
        upper = round(y + (top + bottom - thick) / 2)
        self._draw.rectangle((round(x + left + 1), upper, round(x + right - 2), upper + thick - 1), fill=fill)
        return x + font.getlength("+")
