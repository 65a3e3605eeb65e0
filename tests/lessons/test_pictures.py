"""From an uploaded file to a photo that may be kept."""

import struct
import zlib
from io import BytesIO

import pytest
from PIL import ExifTags, Image

from fixtures.photos import mockup_photo
from lessons.errors import PhotoRefused
from lessons.pictures import LONGEST, prepare


def encoded(kind="JPEG", size=(600, 400), mode="RGB", colour=None, **more):
    out = BytesIO()
    Image.new(mode, size, colour or 0).save(out, kind, **more)
    return out.getvalue()


def png_header(width, height):
    """A PNG that says its size and holds next to nothing."""

    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    said = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + said + chunk(b"IDAT", zlib.compress(b"0"))


def taken_photo(original="2026:03:02 10:15:00", offset=""):
    """A photo whose camera wrote when it was taken, and another time when the file was last written."""
    exif = Image.Exif()
    exif[ExifTags.Base.DateTime] = "2026:04:04 04:04:04"
    more = exif.get_ifd(ExifTags.IFD.Exif)
    more[ExifTags.Base.DateTimeOriginal] = original
    if offset:
        more[ExifTags.Base.OffsetTimeOriginal] = offset
    return encoded(exif=exif)


def opened(content):
    return Image.open(BytesIO(content))


def test_a_phone_photo_is_turned_upright():
    picture = prepare(mockup_photo(1, "joint"))
    assert (picture.width, picture.height) == (1200, 1600)
    assert opened(picture.full).size == (1200, 1600)
    assert opened(mockup_photo(1, "joint")).size == (1600, 1200)


def test_the_top_of_an_upright_photo_is_its_top():
    image = Image.new("RGB", (300, 400), "black")
    image.paste("white", (0, 0, 300, 200))
    turned, exif, out = image.transpose(Image.Transpose.ROTATE_90), Image.Exif(), BytesIO()
    exif[0x0112] = 6
    turned.save(out, "JPEG", exif=exif)
    upright = opened(prepare(out.getvalue()).full).convert("L")
    assert upright.getpixel((150, 50)) > 240
    assert upright.getpixel((150, 350)) < 15


@pytest.mark.parametrize("part", ["full", "thumbnail"])
def test_place_camera_and_comments_are_gone(part):
    kept = getattr(prepare(mockup_photo(2, "seat")), part)
    assert not opened(kept).getexif()
    assert b"Exif" not in kept
    assert b"Invented" not in kept
    noted = getattr(prepare(encoded(comment=b"made at 51.5 N")), part)
    assert b"51.5" not in noted


def test_the_time_it_was_taken_is_read_before_it_is_dropped():
    assert prepare(taken_photo()).taken.isoformat() == "2026-03-02T10:15:00"
    assert prepare(taken_photo(offset="-03:30")).taken.isoformat() == "2026-03-02T10:15:00-03:30"


def test_the_time_a_file_was_last_written_is_not_the_time_it_was_taken():
    assert prepare(mockup_photo(2, "seat")).taken is None


def test_a_thumbnail_is_480_pixels_long():
    assert opened(prepare(mockup_photo(3, "honeycomb")).thumbnail).size == (360, 480)


def test_a_large_photo_is_made_3000_pixels_long():
    picture = prepare(encoded(size=(4000, 2000)))
    assert (picture.width, picture.height) == (LONGEST, 1500)


def test_a_small_photo_is_not_blown_up():
    assert prepare(encoded(size=(60, 40))).width == 60


@pytest.mark.parametrize(
    ("mode", "colour", "seen"),
    [
        ("RGBA", (255, 0, 0, 0), (255, 255, 255)),
        ("L", 128, (128, 128, 128)),
        ("I;16", 0x8000, (128, 128, 128)),
        ("P", 0, (0, 0, 0)),
        ("1", 1, (255, 255, 255)),
    ],
)
def test_every_kind_of_png_becomes_a_photo_of_the_same_colour(mode, colour, seen):
    pixel = opened(prepare(encoded("PNG", mode=mode, colour=colour)).full).getpixel((30, 30))
    assert all(abs(a - b) <= 2 for a, b in zip(pixel, seen, strict=True))


def test_a_cmyk_photo_is_read():
    assert prepare(encoded(mode="CMYK", colour=(0, 0, 0, 0))).width == 600


def heic():
    return struct.pack(">I", 24) + b"ftypheic" + b"\0" * 40


BAD = {
    "empty": (b"", "empty", "no bytes at all"),
    "a PDF named .jpg": (b"%PDF-1.7\n1 0 obj", "pdf", "This is a PDF"),
    "HEIC": (heic(), "heic", "Set the phone's camera to take JPEG"),
    "text": (b"solid block\nfacet", "not-a-photo", "Use JPEG or PNG"),
    "a few bytes": (b"\xff", "not-a-photo", "Use JPEG or PNG"),
    "only the first bytes": (b"\xff\xd8\xff\xe0\x00\x10JFIF", "damaged", "cannot be read"),
    "a JPEG cut in half": (mockup_photo(4, "seat")[:90_000], "damaged", "cut short"),
    "a PNG cut in half": (encoded("PNG", mode="L")[:90], "damaged", "cut short"),
    "20,000 × 20,000": (png_header(20_000, 20_000), "too-large", "20\u00a0000 × 20\u00a0000 pixels, 400 million"),
    "a size of nothing": (png_header(0, 0), "damaged", ""),
}


@pytest.mark.parametrize("name", list(BAD))
def test_what_is_no_photo_is_refused_with_what_to_do(name):
    content, code, words = BAD[name]
    with pytest.raises(PhotoRefused) as refused:
        prepare(content)
    assert refused.value.code == code
    assert words in refused.value.sentence


def test_a_file_of_too_many_bytes_is_refused_before_it_is_read(monkeypatch):
    monkeypatch.setattr("lessons.pictures.MOST_BYTES", 1000)
    with pytest.raises(PhotoRefused, match="lower resolution"):
        prepare(encoded())


@pytest.mark.filterwarnings("ignore:Corrupt EXIF data")
def test_a_broken_note_on_orientation_does_not_lose_the_photo():
    content = encoded()
    exif = b"\xff\xe1\x00\x10Exif\x00\x00II*\x00\xff\xff\xff\xff"
    assert prepare(content[:2] + exif + content[2:]).width == 600
