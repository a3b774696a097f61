"""Free TCP ports on the loopback interface."""

import random
import socket

LOOPBACK = "127.0.0.1"

# Below the range that Linux hands to outgoing connections (32768 and up). A client that keeps dialling a port of that
# range while its broker is down can be given the very same port as its own end: it then talks to itself and keeps the
# broker from coming back.
_FIRST, _LAST = 20_000, 31_999


def free_port(tries: int = 200) -> int:
    """A port on 127.0.0.1 that nobody listens on now. Raises OSError when none is found within `tries`."""
    for _ in range(tries):
        port = random.randint(_FIRST, _LAST)
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
            try:
                trial.bind((LOOPBACK, port))
            except OSError:
                continue
            return port
    raise OSError(f"no free port on {LOOPBACK} between {_FIRST} and {_LAST}, after {tries} tries")
