"""What `stillhold doctor` asks of the machine that it runs on; tests put another in its place."""

import os
import shutil
import subprocess
import time
from pathlib import Path

SYNCS = 20


class Machine:
    """A Linux machine with systemd or without."""

    def wall_s(self) -> float:
        return time.time()

    def free_bytes(self, folder: Path) -> int:
        return shutil.disk_usage(folder).free

    def sync_s(self, folder: Path) -> float:
        """How long one small write takes until the disk says that it holds it: the middle of some. Raises OSError."""
        path, took = folder / f".sync-test-{os.getpid()}", []
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            for _ in range(SYNCS):
                began_s = time.perf_counter()
                os.write(descriptor, b"x" * 4096)
                os.fsync(descriptor)
                took.append(time.perf_counter() - began_s)
        finally:
            os.close(descriptor)
            path.unlink()
        return sorted(took)[SYNCS // 2]

    def clock_is_set_by_a_source(self) -> bool | None:
        """Whether something keeps the clock right; None where nobody can say."""
        said = self.run("timedatectl", "show", "--property=NTPSynchronized", "--value")
        return None if said is None or said.strip() not in ("yes", "no") else said.strip() == "yes"

    def unit(self, name: str) -> str | None:
        """The state of a systemd unit, None where there is no systemd or no such unit."""
        if not Path("/run/systemd/system").is_dir():
            return None
        loaded = self.run("systemctl", "show", "--property=LoadState,ActiveState", "--value", name)
        words = (loaded or "").split()
        return words[1] if len(words) == 2 and words[0] == "loaded" else None

    def certificate_ends(self, path: Path) -> str | None:
        """As openssl writes it, such as "Jan  1 14:25:05 2028 GMT"; None where it cannot be told."""
        said = self.run("openssl", "x509", "-in", str(path), "-noout", "-enddate")
        return None if said is None else said.strip().removeprefix("notAfter=")

    def run(self, *words: str) -> str | None:
        """What a command prints, None when it is not there or fails."""
        try:
            return subprocess.run(words, capture_output=True, text=True, timeout=10, check=True).stdout
        except (OSError, subprocess.SubprocessError, UnicodeDecodeError):
            return None
