"""A real house for the browser: its own data folder, the real server and worker, the system's Chromium."""

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from django.conf import settings
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from proofmark import chromium
from tests.browser.files import Uploads, make

MANAGE = str(Path(settings.BASE_DIR) / "manage.py")
PASSWORD = "pass-word-1234"
DESK = {"width": 1440, "height": 900}
TABLET = {"width": 820, "height": 1180}
PHONE = {"width": 390, "height": 844}
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--disable-dev-shm-usage",
]
PEOPLE = """
import django; django.setup()
from django.core.management import call_command
from django.contrib.auth.models import Group
from proofmark.models import Person
call_command("migrate", verbosity=0)
for name, first, last, role in (
    ("ines", "Ines", "Halvorsen", "engineering lead"), ("kit", "Kit", "Marsden", "engineering lead"),
    ("mara", "Mara", "Lindqvist", "prototyping technician"), ("rhys", "Rhys", "Adeyemi", "site team"),
):
    person = Person.objects.create_user(name, password="%s", first_name=first, last_name=last)
    person.groups.add(Group.objects.get(name=role))
"""


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_for(address: str, server: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + 40
    while time.monotonic() < until:
        if server.poll() is not None:
            pytest.fail(f"The server ended with status {server.returncode} before it answered.")
        try:
            urllib.request.urlopen(address, timeout=5).close()
            return
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.1)
    pytest.fail(f"The server did not answer at {address} within 40 s.")


@contextmanager
def running(*scripts: str) -> Iterator[str]:
    """The address of a Proofmark of its own, once the scripts have filled its data folder."""
    folder = tempfile.mkdtemp(prefix="proofmark-browser-")
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PROOFMARK_")}
    environment |= {
        "PROOFMARK_DATA": folder,
        "DJANGO_SETTINGS_MODULE": "proofmark.settings",
        "PROOFMARK_NO_VENV": "1",
    }
    base = settings.BASE_DIR
    port = _free_port()
    with open(Path(folder) / "server.log", "wb") as log:
        for script in scripts:
            subprocess.run([sys.executable, "-c", script], cwd=base, env=environment, check=True)
        server = subprocess.Popen(
            [sys.executable, MANAGE, "serve", "--port", str(port)], cwd=base, env=environment, stdout=log, stderr=log
        )
        try:
            _wait_for(f"http://127.0.0.1:{port}/sign-in/", server)
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()
            try:
                server.wait(timeout=20)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()
    said = (Path(folder) / "server.log").read_text(errors="replace")
    shutil.rmtree(folder, ignore_errors=True)
    assert "Traceback" not in said and "Fatal" not in said, f"Server or worker said:\n{said[-8000:]}"


@pytest.fixture(scope="session")
def house() -> Iterator[str]:
    """A house with four people and nothing else."""
    with running(PEOPLE % PASSWORD) as address:
        yield address


@pytest.fixture(scope="session")
def uploads(tmp_path_factory: pytest.TempPathFactory) -> Uploads:
    return make(tmp_path_factory.mktemp("uploads"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Ended with its file: while Playwright runs, the other tests of this process may not ask the database."""
    path = chromium.find()
    if not path:
        pytest.skip(f"Chromium is missing. {chromium.HOW_TO_GET_IT}")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def complaints() -> Iterator[list[str]]:
    """What the browser complained about in this test: console errors, script errors, refused content, HTTP 5xx."""
    heard: list[str] = []
    yield heard
    assert not heard, "The browser complained:\n" + "\n".join(heard)


@pytest.fixture
def visit(browser: Browser, house: str, complaints: list[str]) -> Iterator[Callable[..., Page]]:
    """visit(size, name="") opens a fresh browser of that size, signed in when a name is given."""
    opened: list[BrowserContext] = []

    def open_page(size: dict[str, int], name: str = "", **options: object) -> Page:
        context = browser.new_context(
            base_url=house, viewport=size, has_touch=size is not DESK, locale="en-GB", timezone_id="UTC", **options
        )
        opened.append(context)
        context.set_default_timeout(8000)
        page = context.new_page()
        listen(page, complaints)
        if name:
            sign_in(page, name)
        return page

    yield open_page
    for context in opened:
        context.close()


def listen(page: Page, heard: list[str]) -> None:
    page.on("console", lambda said: heard.append(f"{page.url}: {said.text}") if said.type == "error" else None)
    page.on("pageerror", lambda error: heard.append(f"{page.url}: {error}"))
    page.on("response", lambda got: heard.append(f"{got.url}: HTTP {got.status}") if got.status >= 500 else None)


def sign_in(page: Page, name: str) -> None:
    page.goto("/sign-in/")
    send_sign_in(page, name)


def send_sign_in(page: Page, name: str) -> None:
    page.get_by_label("Sign-in name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "/sign-in/" not in url)


def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> None:
    if call.excinfo and not call.excinfo.errisinstance(pytest.skip.Exception):
        item.parent.first_failed = item.name  # type: ignore[union-attr]


def pytest_runtest_setup(item: pytest.Item) -> None:
    if not getattr(item.module, "STEPS", False):  # type: ignore[attr-defined]
        return
    failed = getattr(item.parent, "first_failed", None)
    if failed:
        pytest.skip(f"An earlier step failed: {failed}.")
