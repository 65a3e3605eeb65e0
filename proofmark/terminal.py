"""How far a long command is, on a terminal as one line that changes, elsewhere as plain lines."""

import time
from collections.abc import Callable
from typing import TextIO

# Seconds between two lines, and between two changes of one line.
EVERY, EVERY_ON_TERMINAL = 1.0, 0.1


class ProgressLine:
    """Call it with a stage and the finished share of it, 0 to 1; call `end` when done or failed."""

    def __init__(self, out: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._out, self._clock = out, clock
        self._terminal = out.isatty()
        self._stage, self._said, self._open = "", -1e9, False

    def __call__(self, stage: str, share: float) -> None:
        every = EVERY_ON_TERMINAL if self._terminal else EVERY
        if stage == self._stage and self._clock() - self._said < every:
            return
        self._stage, self._said = stage, self._clock()
        line = f"{stage}, {100 * min(max(share, 0.0), 1.0):.0f}\u00a0%"
        if self._terminal:
            self._out.write(f"\r\x1b[K{line}")
            self._open = True
        else:
            self._out.write(f"{line}\n")
        self._out.flush()

    def end(self) -> None:
        """Leave the terminal with the cursor on an empty line."""
        if self._open:
            self._out.write("\r\x1b[K")
            self._out.flush()
            self._open = False
