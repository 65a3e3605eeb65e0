"""The WebGL library: one ES module inside a Python package, served as a static file of our own.

The package is never imported: of its server nothing is installed. Why it is taken from there: docs/decisions.
"""

import importlib.util
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.checks import CheckMessage, Error
from django.core.files.base import ContentFile, File
from django.core.files.storage import FileSystemStorage
from whitenoise.storage import CompressedManifestStaticFilesStorage

PACKAGE = "nicegui"
MODULE = Path("elements", "scene", "dist", "index.js")
# Static name, and what the modules of the view import from it.
NAME, LICENCE = "three/three.js", "three/licence.txt"
NEEDED = frozenset({"THREE"})
_MAP = re.compile(rb"^//# sourceMappingURL=.*$", re.MULTILINE)
_EXPORTS = re.compile(r"export\s*\{([^{}]*)\}[^{}]*$")
_NOTE = """three.js: Copyright 2010-2025 Three.js Authors, MIT licence. The other parts of the bundle are under the MIT
licence too. It comes from the Python package nicegui, unchanged but for the address of a source map, whose licence
follows.

"""


def library() -> Path | None:
    """Where the module lies; None when the package or the file is missing."""
    found = importlib.util.find_spec(PACKAGE)
    for folder in (found.submodule_search_locations or ()) if found else ():
        if (path := Path(folder) / MODULE).is_file():
            return path
    return None


def exported(path: Path) -> set[str]:
    """Names that the module exports."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - 8192))
        end = file.read().decode(errors="replace")
    found = _EXPORTS.search(end)
    names = found[1].split(",") if found else []
    return {name.split(" as ")[-1].strip() for name in names}


def check(app_configs: object = None, **kwargs: Any) -> list[CheckMessage]:
    """E007: the WebGL library is where its package had it, and exports what the view needs."""
    path = library()
    hint = "Install its package anew: delete the folder .venv and call manage.py again."
    if path is None:
        said = f"The WebGL library is missing: the package {PACKAGE} has no file {MODULE.as_posix()}."
        return [Error(said, hint=hint, id="proofmark.E007")]
    missing = NEEDED - exported(path)
    if missing:
        said = f"The WebGL library {path} does not export {', '.join(sorted(missing))}."
        return [Error(said, hint=hint, id="proofmark.E007")]
    return []


def licence(path: Path) -> bytes:
    """The note beside the library, with the licence of the package that it came in."""
    package = path.parents[len(MODULE.parts) - 1]
    beside = sorted(package.parent.glob(f"{PACKAGE}-*.dist-info/licenses/LICENSE*"))
    return _NOTE.encode() + b"".join(file.read_bytes() for file in beside[:1])


class _Carried(FileSystemStorage):
    """The two files under the names that they have here."""

    def __init__(self, module: Path) -> None:
        super().__init__(location=module.parent)
        self.module = module

    def path(self, name: str) -> str:
        return str(self.module)

    def _open(self, name: str, mode: str = "rb") -> File:
        if name == LICENCE:
            return ContentFile(licence(self.module), name)
        # The map it names is not in the package; collecting static files would stop at that.
        return ContentFile(_MAP.sub(b"", self.module.read_bytes()), name)


class LibraryFinder(BaseFinder):
    """Finds the WebGL library for `collectstatic`, and nothing else."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.module = library()

    def check(self, **kwargs: Any) -> list[CheckMessage]:
        return check()

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        found = [str(self.module)] if self.module and path == NAME else []
        return found if find_all else next(iter(found), None)

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[tuple[str, _Carried]]:
        if self.module:
            storage = _Carried(self.module)
            yield from ((name, storage) for name in (NAME, LICENCE))


class HashedStorage(CompressedManifestStaticFilesStorage):
    """Static files under their hash, and the imports between our modules with them."""

    patterns = (
        *CompressedManifestStaticFilesStorage.patterns,
        ("proofmark/view3d/*.js", CompressedManifestStaticFilesStorage._js_module_import_aggregation_patterns[1]),
    )
