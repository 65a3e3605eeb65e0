"""A nominal and a scan read at the same time: while one waits for memory, the other works."""

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from threading import Event

from metrology.bodies import Progress
from metrology.errors import MetrologyError, Stopped
from metrology.reading.raw import STAGE
from metrology.reading.read import MeshFile, ScanFile

# Seconds between reports while the nominal takes longer than the scan.
_PATIENCE = 0.25


def read_together(
    nominal: Callable[[Progress], MeshFile], scan: Callable[[Progress], ScanFile], progress: Progress
) -> tuple[MeshFile, ScanFile]:
    """What both readers give, each of them called with a progress of its own; that of the scan is reported.

    Raises what they raise, the fault of the nominal first where both have one; what progress raises ends both.
    """
    ended = Event()

    def unseen(stage: str, share: float) -> None:
        if ended.is_set():
            raise Stopped

    with ThreadPoolExecutor(1) as beside:
        reading: Future[MeshFile] = beside.submit(nominal, unseen)
        try:
            cloud = scan(progress)
            while wait([reading], _PATIENCE).not_done:
                progress(STAGE, 1.0)
        except MetrologyError:
            reading.result()
            raise
        except BaseException:
            ended.set()
            raise
        return reading.result(), cloud
