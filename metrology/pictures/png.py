"""A picture as the bytes of a file."""

import io

from PIL import Image

# Drawings have few colours: a palette keeps a picture far below 200 kB.
COLOURS = 128


def png(image: Image.Image) -> bytes:
    """PNG bytes with a palette of 128 colours; the same picture always gives the same bytes."""
    content = io.BytesIO()
    image.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(content, "PNG")
    return content.getvalue()
