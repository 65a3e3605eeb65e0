"""From an uploaded file to a photo that may be kept: upright, in sRGB, at most 3000 pixels long, nothing but pixels."""

import struct
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from io import BytesIO
from typing import BinaryIO

from PIL import ExifTags, Image, ImageCms, ImageOps, JpegImagePlugin, PngImagePlugin

from metrology.wording import NBSP

from .errors import PhotoRefused

LONGEST, THUMBNAIL, QUALITY = 3000, 480, 85
# A JPEG is decoded at a fraction of its size when it is large; a PNG has to be unpacked whole.
MOST_PIXELS = {"JPEG": 120_000_000, "PNG": 40_000_000}
MOST_BYTES = 60 << 20
HEIF_BRANDS = {b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif"}
BROKEN = (OSError, SyntaxError, ValueError, struct.error, EOFError, IndexError, KeyError, MemoryError)
AGAIN = "Choose another file, or take the photo again."


@dataclass(frozen=True)
class Picture:
    """full, thumbnail: JPEG files. width, height: pixels of the full one. taken: as the camera wrote it; a naive
    time when the camera did not say its time zone."""

    full: bytes
    thumbnail: bytes
    width: int
    height: int
    taken: datetime | None


def prepare(file: BinaryIO | bytes) -> Picture:
    """Read a JPEG or PNG, turn it upright, make it small enough and drop everything but its pixels.

    Raises PhotoRefused with what is wrong and what to do. The size is looked at before anything is decoded.
    """
    file = BytesIO(file) if isinstance(file, bytes) else file
    file.seek(0)
    head = file.read(32)
    file.seek(0)
    kind = _kind(head)
    size = file.seek(0, 2)
    file.seek(0)
    if size > MOST_BYTES:
        raise PhotoRefused(
            f"The file has {size / 1e6:.0f}{NBSP}MB; {MOST_BYTES / 1e6:.0f}{NBSP}MB is the most. "
            "Take the photo at a lower resolution.",
            code="too-many-bytes",
        )
    image = _opened(file, kind)
    taken = _taken(image)
    upright = _upright(image)
    full = _plain(upright, LONGEST)
    return Picture(_jpeg(full), _jpeg(_plain(full, THUMBNAIL)), full.width, full.height, taken)


def _kind(head: bytes) -> str:
    if not head:
        raise PhotoRefused(f"The file is empty: it holds no bytes at all. {AGAIN}", code="empty")
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[4:8] == b"ftyp" and head[8:12] in HEIF_BRANDS:
        raise PhotoRefused(
            "This is a HEIC photo, which not every device here can show. Set the phone's camera to take JPEG, or "
            "export this photo as JPEG, and choose it again.",
            code="heic",
        )
    if head.lstrip().startswith(b"%PDF"):
        raise PhotoRefused(
            "This is a PDF, whatever its name says. Choose a photo (JPEG or PNG); drawings go with the revision.",
            code="pdf",
        )
    raise PhotoRefused(f"This is not a photo this tool can read. Use JPEG or PNG. {AGAIN}", code="not-a-photo")


def _opened(file: BinaryIO, kind: str) -> Image.Image:
    # Straight to the reader of that format: Image.open would refuse large pictures without saying their size.
    reader = JpegImagePlugin.JpegImageFile if kind == "JPEG" else PngImagePlugin.PngImageFile
    try:
        image = reader(file)
    except BROKEN:
        raise PhotoRefused(f"The photo is damaged: its beginning cannot be read. {AGAIN}", code="damaged") from None
    width, height = image.size
    if width * height > MOST_PIXELS[kind]:
        raise PhotoRefused(
            f"The photo is {_grouped(width)} × {_grouped(height)} pixels, {width * height / 1e6:.0f} million; "
            f"{MOST_PIXELS[kind] / 1e6:.0f} million is the most. Make it smaller and choose it again.",
            code="too-large",
        )
    return image


def _upright(image: Image.Image) -> Image.Image:
    try:
        image.draft("RGB", (LONGEST, LONGEST))
        image.load()
    except BROKEN:
        raise PhotoRefused(
            f"The photo is cut short or damaged: only a part of it arrived. {AGAIN}", code="damaged"
        ) from None
    profile = image.info.get("icc_profile")
    with suppress(*BROKEN):  # a broken note on orientation; the picture itself is whole
        image = ImageOps.exif_transpose(image)
    return _srgb(image, profile)


def _srgb(image: Image.Image, profile: bytes | None) -> Image.Image:
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        image = image.convert("RGBA")
        ground = Image.new("RGB", image.size, "white")
        ground.paste(image, mask=image.getchannel("A"))
        return ground
    if image.mode.startswith("I"):  # 16 bits of grey
        return image.point(lambda level: level / 256).convert("L").convert("RGB")
    if profile and image.mode == "RGB":
        try:
            source = ImageCms.ImageCmsProfile(BytesIO(profile))
            return ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
        except (ImageCms.PyCMSError, *BROKEN):
            return image
    return image.convert("RGB")


def _plain(image: Image.Image, longest: int) -> Image.Image:
    """A copy that carries pixels only, its longer side at most `longest`."""
    share = min(1.0, longest / max(image.size))
    size = tuple(max(1, round(side * share)) for side in image.size)
    clean = Image.new("RGB", size)
    clean.paste(image if size == image.size else image.resize(size, Image.Resampling.LANCZOS))
    return clean


def _jpeg(image: Image.Image) -> bytes:
    out = BytesIO()
    image.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()


def _taken(image: Image.Image) -> datetime | None:
    try:
        exif = image.getexif()
        more = exif.get_ifd(ExifTags.IFD.Exif)
        text = more.get(ExifTags.Base.DateTimeOriginal)
        taken = datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        offset = str(more.get(ExifTags.Base.OffsetTimeOriginal, "")).strip("\0 ")
    except BROKEN:
        return None
    try:
        sign = -1 if offset.startswith("-") else 1
        hours, minutes = offset.lstrip("+-").split(":")
        return taken.replace(tzinfo=timezone(sign * timedelta(hours=int(hours), minutes=int(minutes))))
    except ValueError:
        return taken


def _grouped(number: int) -> str:
    return f"{number:,}".replace(",", NBSP)
