"""QR labels: the symbol itself against a published one, the sheet as a PDF that can be read again."""

from io import BytesIO

import segno
from pypdf import PdfReader

from sitework import labels
from sitework.models import TAG_LETTERS, new_tag_code

# "01234567", version 1-M, data mask 010. The code words are those of the example in ISO/IEC 18004, annex I (READ in
# several public repositories); the matrix was COMPUTED with the libraries qrcode 8.2 and segno, which agree.
PUBLISHED = """\
#######..#.##.#######
#.....#..####.#.....#
#.###.#.#.....#.###.#
#.###.#.##....#.###.#
#.###.#.#.###.#.###.#
#.....#.#...#.#.....#
#######.#.#.#.#######
........#..##........
#.#####..#..#.#####..
...#.#.##.#.#..#.##..
..#...##.#.#.#..#####
....#....#.....####..
...######..#.#..#....
........#.#####..##..
#######..##.#.##.....
#.....#.#.#####...#.#
#.###.#.#...#..#.##..
#.###.#.##..#..#.....
#.###.#.#.##.#..#.#..
#.....#........##.##.
#######.####.#..#.#..
""".splitlines()


def label(serial="TP-SB-0012", code="BCDFGHJKMN"):
    return labels.Label(
        "Tern Point walkway", "SB-02", "Saddle block, mid-span", "B", serial, code, f"https://pm.example/t/{code}/"
    )


def test_the_symbol_library_draws_the_published_example():
    drawn = segno.make("01234567", version=1, error="m", mask=2, micro=False, boost_error=False)
    assert ["".join("#" if cell else "." for cell in row) for row in drawn.matrix] == PUBLISHED


def test_a_label_codes_its_full_address():
    """Two libraries may choose another mask; the same text always gives the same symbol here."""
    address = "https://pm.example/t/BCDFGHJKMN/"
    assert labels.matrix(address) == labels.matrix(address)
    assert len(labels.matrix(address)) <= 33  # version 4 or less: coarse enough for a scratched label


def test_a_sheet_names_each_piece_and_starts_a_page_after_ten():
    pages = PdfReader(BytesIO(labels.sheet([label(f"TP-SB-{n:04d}") for n in range(11)]))).pages
    assert len(pages) == 2
    assert "TP-SB-0000" in pages[0].extract_text()
    assert "TP-SB-0010" in pages[1].extract_text()


def test_a_label_never_carries_a_status():
    text = PdfReader(BytesIO(labels.sheet([label()]))).pages[0].extract_text().lower()
    assert "cleared" not in text
    assert "buildable" not in text


def test_tag_codes_are_long_enough_not_to_be_guessed_and_have_no_look_alikes():
    """27 letters, 10 places: 2·10^14 codes."""
    code = new_tag_code()
    assert len(code) == 10
    assert not set("01OILAEU") & set(TAG_LETTERS)
