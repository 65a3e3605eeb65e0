"""Readers that run in a process of their own, so that a file which crashes or never ends takes nobody with it."""

import json
import logging
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from metrology.errors import ReadingError

logger = logging.getLogger(__name__)
HERE = Path(__file__).parent
SECONDS_BETWEEN_LOOKS = 0.05
LONGEST_MESSAGE = 1 << 16
MOST_FAULTS = 4000


@contextmanager
def read_apart(
    script: str,
    path: Path,
    what: str,
    *,
    seconds: float,
    memory: int,
    report: Callable[[Mapping[str, Any]], None],
    **given: Any,
) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Run the reader `script` beside this file on `path`; yield (folder with what it wrote, its last words).

    what: the file's kind in a sentence, as “STEP model”. seconds: between two signs of life; then it is ended. memory:
    most bytes it may take. report: called at least ten times a second with the reader's newest words; what it raises
    ends the reader and passes through. given: further arguments, plain values.

    The reader gets one argument, its order as JSON, and writes one JSON object a line to its output: signs of life,
    and at last {"done": …} or {"refused": [code, sentence]}.
    Raises ReadingError: refused by the reader, or reader-ended when it crashed, grew too large or took too long.
    """
    with tempfile.TemporaryDirectory(prefix="proofmark-reading-") as name:
        folder = Path(name)
        words = folder / "words"
        order = json.dumps({"path": str(path.resolve()), "folder": name, "memory": memory, **given})
        with words.open("wb") as said, (folder / "faults").open("wb") as faults:
            process = subprocess.Popen(
                [sys.executable, "-I", str(HERE / script), order],
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=faults,
                cwd=name,
                env={k: v for k, v in os.environ.items() if not k.startswith("PYTHON")} | {"OMP_NUM_THREADS": "1"},
            )
        try:
            _watch(process, words, what, seconds, report)
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()
        yield folder, _answer(process.returncode, folder, what)


def _watch(
    process: "subprocess.Popen[bytes]",
    words: Path,
    what: str,
    seconds: float,
    report: Callable[[Mapping[str, Any]], None],
) -> None:
    size, alive = 0, time.monotonic()
    newest: Mapping[str, Any] = {}
    while True:
        report(newest)
        try:
            process.wait(SECONDS_BETWEEN_LOOKS)
            return
        except subprocess.TimeoutExpired:
            pass
        if words.stat().st_size > size:
            size, alive = words.stat().st_size, time.monotonic()
            newest = _last_words(words) or newest
        if time.monotonic() - alive > seconds:
            raise ReadingError(
                "reader-ended",
                f"Reading the {what} took longer than {seconds:g}\u00a0seconds without getting further, and was given "
                "up. It is damaged or far too fine: export it again, coarser or in another format.",
            )


def _last_words(words: Path) -> dict[str, Any]:
    """The last whole line, as an object; empty when there is none."""
    with words.open("rb") as file:
        file.seek(0, os.SEEK_END)
        file.seek(max(0, file.tell() - LONGEST_MESSAGE))
        lines = file.read().split(b"\n")[:-1]
    for line in reversed(lines):
        try:
            found = json.loads(line)
        except ValueError:
            continue
        if isinstance(found, dict):
            return found
    return {}


def _answer(code: int, folder: Path, what: str) -> dict[str, Any]:
    said = _last_words(folder / "words")
    if "refused" in said:
        raise ReadingError(*said["refused"])
    if code == 0 and "done" in said:
        done: dict[str, Any] = said["done"]
        return done
    faults = (folder / "faults").read_bytes()[-MOST_FAULTS:].decode("utf-8", "replace")
    logger.warning("The reader of a %s ended with status %d: %s", what, code, faults)
    how = f"it was ended by {_signal_name(-code)}" if code < 0 else f"it ended with status {code}"
    raise ReadingError(
        "reader-ended",
        f"The {what} could not be read: its reader gave no answer ({how}). The file is damaged, or it needs more "
        "memory than there is. Export it again, or export it in another format.",
    )


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
