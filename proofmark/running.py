"""Running the house: a web server and a worker beside it, until somebody stops them."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management import CommandError, call_command
from waitress.server import create_server

MANAGE = Path(settings.BASE_DIR) / "manage.py"
LARGEST_UPLOAD = 8 << 30
OWN_GROUP: dict[str, Any] = (
    {"creationflags": getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)}
    if os.name == "nt"
    else {"start_new_session": True}
)


def prepare(verbosity: int = 0) -> None:
    """Bring the database and the static files up to date."""
    call_command("migrate", verbosity=verbosity, interactive=False)
    call_command("collectstatic", verbosity=0, interactive=False)


def free_port(host: str, port: int) -> None:
    """Raise with what to do when the port cannot be had."""
    if not 0 < port < 65536:
        raise CommandError("A port is a number from 1 to 65535: --port 8017.")
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name != "nt":  # there, it would let two servers share a port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except PermissionError:
            raise CommandError(f"Port {port} is kept for the system. Choose one above 1023: --port 8017.") from None
        except OSError:
            other = port + 1 if port < 65535 else 8017
            raise CommandError(
                f"Port {port} is taken: stop the other program, or choose another port with --port {other}."
            ) from None


def lan_address() -> str:
    """The address by which the workshop reaches this machine; no packet is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


class Worker:
    """The job worker as a process of its own, started again when it dies."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.say = say
        self.ending = threading.Event()
        self.process: subprocess.Popen[bytes] | None = None
        self.thread = threading.Thread(target=self._keep, daemon=True)

    def start(self) -> None:
        self.thread.start()

    def stop(self) -> None:
        self.ending.set()
        process = self.process
        if process and process.poll() is None:
            process.terminate()
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
        self.thread.join(timeout=5)

    def _keep(self) -> None:
        pause = 1.0
        while not self.ending.is_set():
            begun = time.monotonic()
            # The worker leaves when its standard input closes, so that it never outlives this process.
            # In a group of its own, so that Ctrl+C reaches this process alone, which then ends the worker in order.
            self.process = subprocess.Popen(
                [sys.executable, str(MANAGE), "worker", "--with-parent"], stdin=subprocess.PIPE, **OWN_GROUP
            )
            code = self.process.wait()
            if self.ending.is_set():
                return
            pause = 1.0 if time.monotonic() - begun > 30 else min(pause * 2, 30.0)
            self.say(f"The worker ended (status {code}); it is started again in {pause:.0f} s.")
            self.ending.wait(pause)


def run(host: str, port: int, say: Callable[[str], None], ready: Callable[[], None] | None = None) -> None:
    """Serve until interrupted. ready: called once when the server listens."""
    from proofmark.wsgi import application

    free_port(host, port)
    server = create_server(
        application,
        host=host,
        port=port,
        threads=8,
        max_request_body_size=LARGEST_UPLOAD,
        inbuf_overflow=1 << 20,
        channel_timeout=300,
        ident="Proofmark",
        clear_untrusted_proxy_headers=True,
        trusted_proxy=settings.PROXY if settings.HTTPS else None,
        trusted_proxy_headers={"x-forwarded-proto", "x-forwarded-for"} if settings.HTTPS else set(),
    )
    worker = Worker(say)

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)
    worker.start()
    try:
        if ready:
            threading.Thread(target=ready, daemon=True).start()
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        say("Stopping.")
        worker.stop()
        server.close()
