"""Every file of the corpus of broken ones is refused with a code and a sentence, quickly, in little memory, and left as
it was."""

import time
import tracemalloc
import warnings

import pytest

from metrology.errors import MetrologyError
from metrology.reading import read_mesh_file, read_scan_file
from metrology.reading.accepted import SUFFIXES

from .broken_files import MESHES, SCANS, broken_files

CORPUS = broken_files()
SECONDS = 20
BYTES = 32 << 20


@pytest.mark.parametrize("broken", CORPUS, ids=[broken.label for broken in CORPUS])
def test_a_broken_file_is_refused_in_words(tmp_path, broken):
    path = tmp_path / "stored-by-hash"
    path.write_bytes(broken.content)
    read = read_mesh_file if broken.purpose == "mesh" else read_scan_file
    started = time.monotonic()
    tracemalloc.start()
    try:
        with warnings.catch_warnings(), pytest.raises(MetrologyError) as refused:
            warnings.simplefilter("error")
            read(path, unit=broken.unit, name=broken.name)
        taken = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert time.monotonic() - started < SECONDS
    assert taken < BYTES
    error = refused.value
    assert error.code == error.code.lower()
    assert " " not in error.code
    assert error.sentence[0].isupper() or error.sentence[0].isdigit()
    assert error.sentence.endswith(".")
    assert "Traceback" not in error.sentence
    assert str(tmp_path) not in error.sentence
    assert path.read_bytes() == broken.content
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


def test_every_format_that_is_read_is_in_the_corpus():
    tables = {".asc", ".pts", ".stp"}  # other names for what is in it
    for purpose, names in (("mesh", MESHES), ("scan", SCANS)):
        assert {"." + name.rpartition(".")[2] for name in names} == set(SUFFIXES[purpose]) - tables


def test_the_corpus_is_always_the_same_but_for_the_moment_that_libraries_stamp():
    again = broken_files()
    assert [b.label for b in again] == [b.label for b in CORPUS]
    assert len({b.label for b in CORPUS}) == len(CORPUS)
    assert all(a.content == b.content for a, b in zip(again, CORPUS, strict=True) if not a.name.endswith(".e57"))
