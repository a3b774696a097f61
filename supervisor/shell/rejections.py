"""What was refused: counted each time, logged once per kind and minute, published within bounds, and nothing changes.

A gateway that sends rubbish as fast as it can must not fill the log, nor make us send as fast as it does: each
published refusal carries the count so far, so that what is left out is still told.
"""

from supervisor.messages import Rejected, at
from supervisor.shell.wire import Refused
from supervisor.values import Now, Publish, Say

LOGGED_EVERY_S = 60.0
PUBLISHED_AT_ONCE = 20
PUBLISHED_PER_S = 2.0
QUIET_AFTER_S = 600.0
_SAMPLE_BYTES = 120
_TOPIC_LETTERS = 200


class Rejections:
    """All times are the site's (`Now`)."""

    def __init__(self) -> None:
        self.counts: dict[tuple[str, str], int] = {}
        self._logged_s: dict[str, float] = {}
        self._allowance = float(PUBLISHED_AT_ONCE)
        self._allowance_s: float | None = None
        self._last_s: float | None = None
        self._last_words = ""

    def note(self, refused: Refused, topic: str, payload: bytes, now: Now) -> list[Publish | Say]:
        """Count a refusal of what came on `topic` (below the root); what is to be said about it."""
        key = (refused.kind, refused.why)
        count = self.counts[key] = self.counts.get(key, 0) + 1
        self._last_s, self._last_words = now.mono_s, f"{topic[:_TOPIC_LETTERS]}: {refused.reason}"
        said: list[Publish | Say] = []
        logged_s = self._logged_s.get(refused.kind)
        if logged_s is None or now.mono_s - logged_s >= LOGGED_EVERY_S:
            self._logged_s[refused.kind] = now.mono_s
            figures = {"topic": topic[:_TOPIC_LETTERS], "why": refused.why, "reason": refused.reason, "count": count}
            said.append(Say("warning", "message_rejected", figures))
        if count == 1 or self._may_publish(now):
            body = Rejected(
                topic=_plain(topic)[:_TOPIC_LETTERS],
                reason=refused.reason,
                sample=payload[:_SAMPLE_BYTES].decode("utf-8", "replace"),
                count=count,
                rejected_at=at(now.wall_s),
            )
            said.append(Publish((), body))
        return said

    def recent(self, now: Now) -> str | None:
        """The last refusal in words while it is not long ago, else None."""
        recent = self._last_s is not None and now.mono_s - self._last_s < QUIET_AFTER_S
        return self._last_words if recent else None

    def _may_publish(self, now: Now) -> bool:
        since_s = 0.0 if self._allowance_s is None else now.mono_s - self._allowance_s
        self._allowance_s = now.mono_s
        self._allowance = min(float(PUBLISHED_AT_ONCE), self._allowance + since_s * PUBLISHED_PER_S)
        if self._allowance < 1.0:
            return False
        self._allowance -= 1.0
        return True


def _plain(text: str) -> str:
    """`text` without lone surrogates, which are no UTF-8 and could not be sent."""
    return text.encode("utf-8", "replace").decode("utf-8")
