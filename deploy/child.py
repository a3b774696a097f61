"""One child process: its log in a file, ended cleanly, and gone when we are, however we end."""

import shutil
import signal
import subprocess
from pathlib import Path


class Child:
    """A process that we started, by its own id; its output is appended to `log_path`."""

    def __init__(self, name: str, argv: list[str], log_path: Path, cwd: Path | None = None) -> None:
        self.name = name
        self.argv = argv
        self.log_path = log_path
        self._cwd = cwd
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, in a session of its own so that Ctrl-C in the terminal reaches only us and we end it in order.

        Raises OSError when the program cannot be started, RuntimeError when it runs already.
        """
        if self.running:
            raise RuntimeError(f"{self.name} runs already (process {self.pid})")
        with self.log_path.open("ab") as log:
            self._process = subprocess.Popen(
                _dies_with_us() + self.argv,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                cwd=self._cwd,
            )

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process else None

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def exit_code(self) -> int | None:
        """The exit status once it has ended (negative: the signal that ended it), else None."""
        return self._process.poll() if self._process else None

    def stop(self, patience_s: float = 10.0) -> None:
        """Ask it to end; when it has not within `patience_s`, kill it. Returns only when it is gone."""
        self._signal(signal.SIGTERM)
        if self._process is None:
            return
        try:
            self._process.wait(patience_s)
        except subprocess.TimeoutExpired:
            self.kill()

    def kill(self) -> None:
        """SIGKILL: what a power cut looks like to a process. Returns only when it is gone."""
        self._signal(signal.SIGKILL)
        if self._process is not None:
            self._process.wait()

    def pause(self) -> None:
        """Freeze it where it stands (SIGSTOP): alive to the system, silent to everyone else."""
        self._signal(signal.SIGSTOP)

    def unpause(self) -> None:
        self._signal(signal.SIGCONT)

    def last_lines(self, count: int = 15) -> list[str]:
        """The end of its log, at most `count` lines; empty when it said nothing."""
        try:
            with self.log_path.open("rb") as log:
                log.seek(0, 2)
                log.seek(max(0, log.tell() - 64_000))
                return log.read().decode("utf-8", "replace").splitlines()[-count:]
        except FileNotFoundError:
            return []

    def how_it_ended(self) -> str:
        """The exit status in words."""
        code = self.exit_code
        if code is None:
            return "still running"
        if code >= 0:
            return f"exit status {code}"
        try:
            return f"ended by {signal.Signals(-code).name}"
        except ValueError:
            return f"ended by signal {-code}"

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)  # does nothing once the process has been waited for


def _dies_with_us() -> list[str]:
    """A prefix that makes the kernel end the child when our main thread dies, even by SIGKILL (Linux; else nothing).

    `setpriv` replaces itself by the program, so the process id stays the one that we know.
    """
    setpriv = shutil.which("setpriv")
    return [setpriv, "--pdeathsig", "TERM", "--"] if setpriv else []
