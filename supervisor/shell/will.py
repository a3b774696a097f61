"""What the broker says of us when we are gone: our last status, offline."""

from supervisor.messages import SupervisorStatus
from supervisor.shell.wire_out import Encoder
from supervisor.values import Publish


class Will:
    """`status` is kept up to date by the loop; the bus asks at each connection."""

    def __init__(self, encoder: Encoder, status: SupervisorStatus) -> None:
        self.status = status
        self._encoder = encoder

    def __call__(self) -> tuple[str, bytes]:
        """Topic and payload."""
        offline = self.status.model_copy(update={"online": False})
        topic, payload, _ = self._encoder.encode(Publish((), offline))
        return topic, payload
