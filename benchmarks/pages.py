"""How quickly pages answer while a scan is measured: the real server, its real worker, real requests.

    python manage.py demo --load-only       once: the demonstration, whose data a copy is made of
    python -m benchmarks.pages              answers without a scan, then while one of 1,000,000 points is measured

The board, the page of the gate, the page of the scan under way and the page behind a piece's tag are asked for in turn,
by one person who is signed in and one with a phone who is not, each with a pause between two requests. Times are those
that a browser would wait for the page itself. The scan is invented; what is measured is a copy that is thrown away.
"""

import argparse
import http.client
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import urlencode

BASE = Path(__file__).resolve().parent.parent
MOST_MS = 300.0
PAUSE = 0.05


class Person:
    """A browser that keeps its connection and its cookies."""

    def __init__(self, port: int) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self.cookies: dict[str, str] = {}

    def ask(self, path: str, form: dict[str, str] | None = None) -> tuple[int, str]:
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        if form is None:
            self.connection.request("GET", path, headers=headers)
        else:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
            self.connection.request("POST", path, urlencode(form), headers)
        answer = self.connection.getresponse()
        body = answer.read().decode(errors="replace")
        for name, value in answer.getheaders():
            if name.lower() == "set-cookie":
                key, _, rest = value.partition("=")
                self.cookies[key] = rest.split(";")[0]
        return answer.status, body

    def sign_in(self, name: str, password: str) -> None:
        _, page = self.ask("/sign-in/")
        token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)
        form = {"username": name, "password": password, "csrfmiddlewaretoken": token[1] if token else ""}
        status, _ = self.ask("/sign-in/", form)
        if status != 302:
            sys.exit(f"Signing in as {name} failed with status {status}.")


class Asking(threading.Thread):
    """One person who asks for pages in turn until told to end. times: milliseconds by page."""

    def __init__(self, person: Person, pages: dict[str, str], first: float) -> None:
        super().__init__(daemon=True)
        self.person, self.pages, self.first = person, pages, first
        self.ended = threading.Event()
        self.times: dict[str, list[float]] = {name: [] for name in pages}
        self.wrong: set[str] = set()

    def run(self) -> None:
        self.ended.wait(self.first)
        while not self.ended.is_set():
            for name, path in self.pages.items():
                started = time.perf_counter()
                status, _ = self.person.ask(path)
                self.times[name].append(1000 * (time.perf_counter() - started))
                if status != 200:
                    self.wrong.add(f"{path} answered with status {status}")
                self.ended.wait(PAUSE)


class Serving:
    """`manage.py serve` on a data folder."""

    def __init__(self, port: int, home: Path) -> None:
        command = [sys.executable, str(BASE / "manage.py"), "serve", "--port", str(port)]
        self.port = port
        self.process = subprocess.Popen(
            command, env={**os.environ, "PROOFMARK_DATA": str(home)}, stdout=subprocess.DEVNULL, cwd=BASE
        )

    def __enter__(self) -> "Serving":
        for _ in range(600):
            try:
                Person(self.port).ask("/sign-in/")
            except OSError:
                time.sleep(0.1)
            else:
                return self
        raise TimeoutError("The server does not answer.")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.process.terminate()
        self.process.wait(timeout=30)


def copied(source: Path, folder: Path) -> Path:
    if not (source / "proofmark.sqlite3").exists():
        sys.exit(f"No demonstration in {source}: build it with “python manage.py demo --load-only”, or name --data.")
    home = folder / "data"
    shutil.copytree(source, home, ignore=shutil.ignore_patterns("worker-alive"))
    return home


def begin_with(home: Path) -> None:
    """Django in this process, on the copy."""
    os.environ["PROOFMARK_DATA"] = str(home)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "proofmark.settings")
    import django
    from django.core.management import call_command

    django.setup()
    call_command("migrate", verbosity=0, interactive=False)


def queued(folder: Path, points: int) -> tuple[Any, Any]:
    """A scan of the last cast that was scanned, and who uploaded it."""
    from fixtures.files import write_ply_points
    from fixtures.scanner import cast_from, scan
    from inspection.models import Scan
    from inspection.services.scans import nominal_of, upload_scan
    from parts.services.geometry import nominal_mesh

    last = (
        Scan.objects.filter(state=Scan.State.DONE, withdrawn_at=None).select_related("cast", "scanned_by").latest("pk")
    )
    geometry = nominal_of(last.cast.revision)
    cloud, _ = scan(cast_from(nominal_mesh(geometry)), points=points, seed=11)
    path = folder / "scan.ply"
    write_ply_points(cloud.points, path)
    with path.open("rb") as file:
        made = upload_scan(
            last.cast, file=file, original_name=path.name, unit="mm", instrument=last.instrument, by=last.scanned_by
        )
    return made, last.scanned_by


def pages_of(scan: Any) -> tuple[dict[str, str], dict[str, str]]:
    """Paths for who is signed in, and for who is not."""
    from sitework.models import Tag

    kit, revision = scan.kit.code, scan.cast.revision
    tag = Tag.objects.filter(cast__kit=scan.kit).earliest("pk")
    signed_in = {
        "board": f"/{kit}/",
        "gate": f"/{kit}/parts/{revision.component.part_number}/{revision.letter}/",
        "scan": f"/{kit}/scans/{scan.code}/",
    }
    return signed_in, {"tag": tag.get_absolute_url()}


def asked(port: int, pages: tuple[dict[str, str], dict[str, str]], sign_in: tuple[str, str], until: Any) -> dict:
    """Times by page while `until` has not returned."""
    signed, phone = Person(port), Person(port)
    signed.sign_in(*sign_in)
    people = [Asking(signed, pages[0], 0.0), Asking(phone, pages[1], PAUSE / 2)]
    for person in people:
        person.start()
    until()
    for person in people:
        person.ended.set()
        person.join()
    for wrong in {wrong for person in people for wrong in person.wrong}:
        print(wrong)
    return people[0].times | people[1].times


def measured(scan: Any, by: Any, times: int, *, waits: bool = False) -> float:
    """Run the scan so often, one after the other; the first time it may wait already. Seconds of one job, from being
    taken up to its end (median)."""
    from inspection.models import Scan
    from inspection.services.scans import run_again

    taken = []
    for turn in range(times):
        if turn or not waits:
            scan = run_again(Scan.objects.get(pk=scan.pk), by=by)
        begun = None
        while True:
            state = Scan.objects.values_list("state", flat=True).get(pk=scan.pk)
            begun = begun or (time.perf_counter() if state == Scan.State.RUNNING else None)
            if state == Scan.State.DONE:
                break
            if state not in (Scan.State.WAITING, Scan.State.RUNNING):
                sys.exit(f"The scan ended as {state}: {Scan.objects.get(pk=scan.pk).error}")
            time.sleep(0.05)
        taken.append(time.perf_counter() - (begun or time.perf_counter()))
    return statistics.median(taken)


def told(name: str, times: list[float]) -> str:
    ordered = sorted(times)
    p95 = ordered[min(int(0.95 * len(ordered)), len(ordered) - 1)]
    return f"{statistics.median(ordered):.0f} | {p95:.0f} | {ordered[-1]:.0f} | {len(ordered)}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, default=BASE / "data" / "demo", help="the demonstration's data folder")
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--scans", type=int, default=4, help="how often the scan is measured")
    parser.add_argument("--quiet-seconds", type=float, default=15.0, help="how long pages are asked for without a scan")
    parser.add_argument("--port", type=int, default=18190)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        home = copied(options.data, folder)
        begin_with(home)
        from fixtures.demo import SIGN_INS

        sign_in = SIGN_INS[0][:2]
        scan, by = queued(folder, options.points)
        with Serving(options.port, home):
            measured(scan, by, 1, waits=True)
            print("Ready: pages are asked for now.", file=sys.stderr, flush=True)
            pages = pages_of(scan)
            before = asked(options.port, pages, sign_in, lambda: time.sleep(options.quiet_seconds))
            alone = measured(scan, by, 1)
            taken: list[float] = []
            during = asked(options.port, pages, sign_in, lambda: taken.append(measured(scan, by, options.scans)))
    print(f"Job of {options.points:,} points: {alone:.1f} s alone, {taken[0]:.1f} s while pages are asked for.\n")
    print("| page | without a scan: p50, ms | p95 | most | requests | while one runs: p50 | p95 | most | requests |")
    print("|---|" + "---|" * 8)
    for page in before:
        print(f"| {page} | {told(page, before[page])} | {told(page, during[page])} |")
    together = sorted(sum(during.values(), []))
    p95 = together[int(0.95 * len(together))]
    met = "met" if p95 <= MOST_MS else "MISSED"
    print(f"\nAll pages while a scan runs: p95 {p95:.0f} ms (target {MOST_MS:.0f} ms: {met})")


if __name__ == "__main__":
    main()
