"""Setting up on a machine that has only Python: a virtual environment with the locked packages, once.

Standard library only, and written so that old Pythons can read it. When everything is there it costs two small
file reads: no pip, no import of packages.
"""

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HOME = ROOT / ".venv"
LOCKS = Path(__file__).resolve().parent / "locks"
LEAST = (3, 11)
ROOM_NEEDED = 1200 * 1024 * 1024  # bytes for the packages and pip's own work
NEEDS_TEST_PACKAGES = ("test",)


class SetUpError(Exception):
    """Why it cannot be set up, and what to do, in one line."""


def ensure(argv):
    """Return when this process runs inside the project's environment with the locked packages; otherwise make it so.

    On the way there the process is replaced (or, on Windows, followed) by one inside the environment.
    """
    try:
        _ensure(argv)
    except SetUpError as error:
        sys.stderr.write("Proofmark: %s\n" % error)
        sys.exit(1)
    except KeyboardInterrupt:
        sys.stderr.write("\nProofmark: set-up was stopped. Call it again to go on.\n")
        sys.exit(130)


def _ensure(argv):
    if sys.version_info < LEAST:
        raise SetUpError(
            "Python %d.%d or newer is needed, this is %d.%d. Install a newer one and call manage.py with it."
            % (LEAST + sys.version_info[:2])
        )
    if os.environ.get("PROOFMARK_NO_VENV") == "1":
        return
    lock = "test" if len(argv) > 1 and argv[1] in NEEDS_TEST_PACKAGES else "run"
    if not stamped(lock):
        set_up(lock)
    if not inside():
        run_inside(argv)
    elif importlib.util.find_spec("django") is None:
        raise SetUpError("the packages in %s belong to another Python. Delete this folder, then call it again." % HOME)


def inside():
    """Whether this interpreter is the one of the project's environment."""
    return Path(sys.prefix).resolve() == HOME.resolve()


def interpreter():
    return HOME / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def digest(lock):
    """What the environment must hold, as one number."""
    try:
        content = (LOCKS / (lock + ".txt")).read_bytes()
    except OSError as error:
        raise SetUpError(
            "the package list %s cannot be read. Get a whole copy of the project. (%s)" % (lock, error)
        ) from None
    return hashlib.sha256(content).hexdigest()


def stamp(lock):
    """The file that says for which lock the environment was set up whole."""
    return HOME / ("proofmark-%s.stamp" % lock)


def stamped(lock):
    """Whether the environment was set up whole for this lock. The test packages include those to run."""
    if not os.path.exists(str(interpreter())):  # unlike Path.exists, False also where one may not look
        return False
    for name in (lock, "test"):
        try:
            if stamp(name).read_text() == digest(name):
                return True
        except OSError:
            pass
    return False


def set_up(lock):
    """Make the environment and install the locked packages; the stamp is written last."""
    wanted, target = digest(lock), LOCKS / (lock + ".txt")
    count = sum(1 for line in target.read_text().splitlines() if "==" in line)
    sys.stderr.write("Proofmark: setting up, %d packages, a minute or two the first time.\n" % count)
    sys.stderr.flush()
    _check_room()
    if not _has_pip():
        _make_environment()
    command = [
        str(interpreter()), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-input",
        "--require-hashes", "--no-deps", "--requirement", str(target),  # a lock is whole
    ]  # fmt: skip
    # A person's own habit of installing for themselves only would miss the environment.
    done = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=dict(os.environ, PIP_USER="0")
    )
    if done.returncode != 0:
        raise SetUpError(_why(done.stdout))
    try:
        stamp(lock).write_text(wanted)
    except OSError as error:
        raise SetUpError("the folder %s cannot be written (%s)." % (HOME, error)) from None


def _check_room():
    free = shutil.disk_usage(str(ROOT)).free
    if free < ROOM_NEEDED:
        raise SetUpError(
            "%d MB are free, %d MB are needed. Make room and call it again." % (free >> 20, ROOM_NEEDED >> 20)
        )


def _has_pip():
    """Whether the environment is whole enough to install into; one whose making was interrupted is not."""
    try:
        asked = [str(interpreter()), "-m", "pip", "--version"]
        return subprocess.run(asked, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode == 0
    except OSError:
        return False


def _make_environment():
    try:
        import ensurepip  # noqa: F401
        import venv
    except ImportError:
        raise SetUpError(
            "this Python has no venv module. On Debian or Ubuntu: apt install python3-venv. Then call it again."
        ) from None
    try:
        venv.EnvBuilder(with_pip=True, clear=HOME.exists(), symlinks=os.name != "nt").create(str(HOME))
    except (OSError, subprocess.CalledProcessError) as error:
        raise SetUpError(
            "the folder %s could not be made (%s). Check that the project's folder may be written and that there is "
            "room." % (HOME, error)
        ) from None


def _why(output):
    """The last thing that pip said, as one line with what to do."""
    lines = [line.strip() for line in output.splitlines() if line.strip()]
    errors = [line for line in lines if line.upper().startswith("ERROR")] or lines[-1:] or ["no reason given"]
    said = errors[-1]
    text = output.lower()
    if "no space left" in text:
        return "the disk is full. Make room and call it again."
    if "do not match the hashes" in text:
        return (
            "a package differs from the locked one, so it was not installed. Clear pip's cache (pip cache purge) or "
            "leave the mirror that sent it, then call it again. %s" % said
        )
    if any(sign in text for sign in ("connection", "timed out", "could not find a version", "temporary failure")):
        return "the packages could not be fetched. Check the network (or pip's settings) and call it again. %s" % said
    return "the packages could not be installed. %s" % said


def run_inside(argv):
    """Go on inside the environment, with the same arguments."""
    python = str(interpreter())
    if os.name == "nt":
        sys.exit(subprocess.call([python] + list(argv)))
    sys.stdout.flush()
    sys.stderr.flush()
    try:
        os.execv(python, [python] + list(argv))
    except OSError as error:
        raise SetUpError(
            "%s does not start (%s). Delete the folder %s, then call it again." % (python, error.strerror, HOME)
        ) from None
