"""Whether there is memory enough for a file, told before it is read."""

import ctypes
import os
from pathlib import Path

from metrology.errors import ReadingError
from metrology.reading.accepted import Purpose

# Most bytes in use at once for each point of a scan, from reading to the end of measuring, and for each vertex or face
# of a nominal. Measured on scans of 1 to 10 million points and nominals of 1 million faces.
BYTES_PER_POINT: dict[Purpose, int] = {"scan": 160, "mesh": 300}
# What is free now may be less a moment later, and everybody else needs some.
USABLE_SHARE = 0.8
SMALL_ENOUGH = 200_000
CONTROL_GROUPS = Path("/sys/fs/cgroup")


def check_room(points: int, purpose: Purpose) -> None:
    """Return when a body of so many points fits into the memory that is free.

    Raises ReadingError (too-large-for-memory).
    """
    if points <= SMALL_ENOUGH:
        return
    free = free_bytes()
    each = BYTES_PER_POINT[purpose]
    if free is None or points * each <= free * USABLE_SHARE:
        return
    fits = max(int(free * USABLE_SHARE / each) // 100_000 * 100_000, SMALL_ENOUGH)
    what = "points" if purpose == "scan" else "vertices and faces"
    where = "in the scanner's software" if purpose == "scan" else "in the model"
    raise ReadingError(
        "too-large-for-memory",
        f"The file holds about {points:,} {what}. Working with them takes about {_gigabytes(points * each)} of memory, "
        f"and {_gigabytes(free)} are free on this machine. Thin it to {fits:,} or fewer {where} and upload it again, "
        "or run Proofmark on a machine with more memory.",
    )


def free_bytes() -> int | None:
    """Memory that this process may still take, None where the system does not tell."""
    limits = [_free_in_system(), _free_in_group(), _free_by_limit()]
    known = [limit for limit in limits if limit is not None]
    return max(min(known), 0) if known else None


def _gigabytes(count: float) -> str:
    return f"{count / 1e9:,.1f}\u00a0GB"


def _free_in_system() -> int | None:
    try:
        for line in Path("/proc/meminfo").read_text().splitlines():
            name, _, rest = line.partition(":")
            if name == "MemAvailable":
                return int(rest.split()[0]) * 1024
    except (OSError, ValueError):
        pass
    if os.name == "nt":
        return _free_in_windows()
    try:
        # Elsewhere only the whole is told; a good half of it is usually taken.
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2
    except (OSError, ValueError, AttributeError):
        return None


class _MemoryStatus(ctypes.Structure):
    _fields_ = [
        ("length", ctypes.c_ulong),
        ("load", ctypes.c_ulong),
        *((name, ctypes.c_ulonglong) for name in ("total", "free", "t", "f", "v", "fv", "e")),
    ]


def _free_in_windows() -> int | None:
    status = _MemoryStatus(length=ctypes.sizeof(_MemoryStatus))
    kernel = getattr(ctypes, "windll").kernel32  # noqa: B009
    return int(status.free) if kernel.GlobalMemoryStatusEx(ctypes.byref(status)) else None


def _free_in_group() -> int | None:
    """What a container is still allowed; files that the system keeps at hand can be let go of and do not count."""
    for limit, used in (
        ("memory.max", "memory.current"),
        ("memory/memory.limit_in_bytes", "memory/memory.usage_in_bytes"),
    ):
        try:
            allowed = int((CONTROL_GROUPS / limit).read_text())
            taken = int((CONTROL_GROUPS / used).read_text())
            return allowed - taken + _at_hand((CONTROL_GROUPS / limit).with_name("memory.stat"))
        except (OSError, ValueError):
            continue
    return None


def _at_hand(statistics: Path) -> int:
    lines = (line.split() for line in statistics.read_text().splitlines())
    return next((int(value) for name, value in lines if name == "inactive_file"), 0)


def _free_by_limit() -> int | None:
    """What the process's own limit of addresses leaves."""
    try:
        import resource

        limit = resource.getrlimit(resource.RLIMIT_AS)[0]
        if limit == resource.RLIM_INFINITY:
            return None
        return limit - int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    except (ImportError, OSError, ValueError):
        return None
