import os
import shutil
import subprocess
import sys
import time
import webbrowser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from proofmark import running

LOADED = "demonstration-loaded"
LEAST_ROOM = 1 << 30


class Command(BaseCommand):
    help = "Show the Tern Point walkway (invented): set it up on first use, then serve it."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--fresh", action="store_true", help="build the demonstration anew")
        parser.add_argument("--no-browser", action="store_true", help="do not open a browser")
        parser.add_argument("--port", type=int, default=8018)
        parser.add_argument("--lan", action="store_true", help="answer other machines too: a phone, a tablet")
        parser.add_argument("--load-only", action="store_true", help="set it up and stop")

    def handle(self, *args: Any, **options: Any) -> None:
        home = _home()
        host = "0.0.0.0" if options["lan"] else "127.0.0.1"
        if not options["load_only"]:  # before the building, and before --fresh takes away what another demo serves
            running.free_port(host, options["port"])
        if home != settings.DATA_DIR:
            self._go_there(home, options)
        running.prepare()
        if options["load_only"]:
            return
        self._greet(options)
        address = f"http://localhost:{options['port']}/"
        ready = None if options["no_browser"] else lambda: webbrowser.open(address)
        if options["lan"]:
            settings.ALLOWED_HOSTS.append(running.lan_address())
        running.run(host, options["port"], self.stdout.write, ready)

    def _go_there(self, home: Path, options: dict[str, Any]) -> None:
        """Settings read the data folder once, so the demonstration runs in a process of its own."""
        if options["fresh"]:
            shutil.rmtree(home, ignore_errors=True)
        if not (home / LOADED).exists():
            self._load(home)
        again = [sys.executable, str(running.MANAGE), "demo", "--port", str(options["port"])]
        again += [f"--{name.replace('_', '-')}" for name in ("no_browser", "lan", "load_only") if options[name]]
        environment = {**os.environ, "PROOFMARK_DATA": str(home)}
        if os.name == "nt":
            sys.exit(subprocess.call(again, env=environment))
        self.stdout.flush()
        os.execve(sys.executable, again, environment)

    def _load(self, home: Path) -> None:
        """Into a folder beside, renamed when whole: half a demonstration is never taken for one."""
        room = shutil.disk_usage(settings.DATA_DIR).free
        if room < LEAST_ROOM:
            raise CommandError(f"{room >> 20} MB are free, {LEAST_ROOM >> 20} MB are needed. Make room first.")
        self.stdout.write("Building the demonstration: casts, scans and decisions, about two minutes.")
        self.stdout.flush()
        building = home.with_name(home.name + "-being-built")
        shutil.rmtree(building, ignore_errors=True)
        building.mkdir(parents=True)
        begun = time.monotonic()
        done = subprocess.run(
            [sys.executable, str(running.MANAGE), "load_demonstration"],
            env={**os.environ, "PROOFMARK_DATA": str(building)},
        )
        if done.returncode != 0:
            raise CommandError("The demonstration could not be built; what went wrong stands above. Call it again.")
        (building / LOADED).write_text(f"{time.monotonic() - begun:.0f} s\n")
        shutil.rmtree(home, ignore_errors=True)
        building.rename(home)
        self.stdout.write(f"Built in {time.monotonic() - begun:.0f} s.")

    def _greet(self, options: dict[str, Any]) -> None:
        from fixtures.demo import SIGN_INS

        self.stdout.write("")
        self.stdout.write("The Tern Point walkway. Invented: no such place, kit, firm or person exists.")
        self.stdout.write(f"  http://localhost:{options['port']}/   (Ctrl+C stops it)")
        if options["lan"]:
            self.stdout.write(f"  http://{running.lan_address()}:{options['port']}/   for a phone or tablet")
        self.stdout.write("  Sign in as")
        for name, password, role in SIGN_INS:
            self.stdout.write(f"    {name:6} {password}   {role}")
        self.stdout.write("")
        self.stdout.flush()


def _home() -> Path:
    base = settings.DATA_DIR
    return base if base.name == "demo" else base / "demo"
