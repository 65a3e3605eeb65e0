"""The WebGL library is where its package had it, and reaches the browser under its hash."""

import importlib.util
import json
from types import SimpleNamespace

import pytest
from django.contrib.staticfiles import finders
from django.contrib.staticfiles.storage import staticfiles_storage
from django.core.management import call_command
from django.test import override_settings

from proofmark import webgl


@pytest.fixture
def package(monkeypatch, tmp_path):
    """package(text) is a package whose module has that text; None leaves the module out."""

    def make(text):
        module = tmp_path / "nicegui" / webgl.MODULE
        module.parent.mkdir(parents=True)
        if text is not None:
            module.write_text(text)
        spec = SimpleNamespace(submodule_search_locations=[str(tmp_path / "nicegui")])
        monkeypatch.setattr(importlib.util, "find_spec", lambda name: spec)

    return make


def test_the_installed_library_is_found_and_has_what_the_view_needs():
    path = webgl.library()
    assert path, f"The package {webgl.PACKAGE} is missing or has no {webgl.MODULE}: install the locked packages."
    missing = webgl.NEEDED - webgl.exported(path)
    assert not missing, f"{path} does not export {missing}: the view cannot draw with this version."
    assert webgl.check() == []


def test_a_missing_module_is_an_error_with_what_to_do(package):
    package(None)
    (error,) = webgl.check()
    assert (
        error.id == "proofmark.E007"
        and "has no file elements/scene/dist/index.js" in error.msg
        and ".venv" in error.hint
    )


def test_a_missing_package_is_an_error_too(monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    assert [error.id for error in webgl.check()] == ["proofmark.E007"]
    assert list(webgl.LibraryFinder().list([])) == []


def test_a_module_without_the_needed_exports_is_an_error(package):
    package("const a=1;export{a as TWEEN};")
    (error,) = webgl.check()
    assert "does not export THREE" in error.msg


def test_the_exports_are_read_from_the_end_of_the_module(package):
    package("export{x};\nconst a={b:1};export{a as THREE,c as Other,Plain};\n//# sourceMappingURL=index.js.map\n")
    assert webgl.exported(webgl.library()) == {"THREE", "Other", "Plain"}


def test_the_finder_serves_the_library_and_nothing_else():
    assert finders.find(webgl.NAME).endswith("index.js")
    assert webgl.LibraryFinder().find("three/other.js") is None


def test_collected_files_carry_their_hash_and_modules_import_by_it(tmp_path, settings):
    hashed = settings.STORAGES | {"staticfiles": {"BACKEND": "proofmark.webgl.HashedStorage"}}
    with override_settings(STATIC_ROOT=tmp_path, STORAGES=hashed):
        call_command("collectstatic", interactive=False, verbosity=0)
        names = json.loads((tmp_path / "staticfiles.json").read_text())["paths"]
        library = tmp_path / names[webgl.NAME]
        assert staticfiles_storage.url(webgl.NAME) == "/static/" + names[webgl.NAME]
    assert "sourceMappingURL" not in library.read_text()[-400:]
    assert 100_000 < library.with_name(library.name + ".gz").stat().st_size < 300_000
    assert "MIT License" in (tmp_path / names[webgl.LICENCE]).read_text()
    for name, stored in names.items():
        if name.startswith("proofmark/view3d/") and name.endswith(".js"):
            for line in (tmp_path / stored).read_text().splitlines():
                if line.startswith("import "):
                    imported = line.split('"')[1]
                    assert (tmp_path / stored).parent.joinpath(imported).resolve().is_file()
                    assert len(imported.split(".")[-2]) == 12, f"{name} imports {imported} without its hash"
