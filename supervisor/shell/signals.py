"""SIGTERM and SIGINT: asked to end. A byte in a pipe ends the wait at once; a second signal ends the process hard."""

import os
import signal
from types import FrameType


class Stop:
    """`asked` becomes true; `wake` is readable from then on, until read."""

    def __init__(self) -> None:
        self.asked = False
        self.wake, self._write = os.pipe()
        os.set_blocking(self.wake, False)
        os.set_blocking(self._write, False)

    def ask(self) -> None:
        self.asked = True
        os.write(self._write, b".")

    def listen(self) -> None:
        """From now on the two signals ask. Only in the main thread."""
        for one in (signal.SIGTERM, signal.SIGINT):
            signal.signal(one, self._on_signal)

    def _on_signal(self, number: int, _frame: FrameType | None) -> None:
        self.ask()
        signal.signal(number, signal.SIG_DFL)

    def close(self) -> None:
        os.close(self.wake)
        os.close(self._write)
