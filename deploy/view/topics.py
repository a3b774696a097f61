"""Which topics the view listens to, and which message model stands on each."""

from typing import NamedTuple

from pydantic import ValidationError

from supervisor import messages as m

Shown = (
    m.EnclosureState | m.RoomEntry | m.RoomPermit | m.RoomSounder | m.RoomAir | m.SourceStatus | m.AlarmStatus
    | m.DoseReport | m.SupervisorStatus | m.Rejected
)  # fmt: skip
_MODELS: tuple[type[Shown], ...] = Shown.__args__  # type: ignore[attr-defined]
_LEVELS = tuple((tuple(model.TOPIC.split("/")), model) for model in _MODELS)


class Heard(NamedTuple):
    """A message that the view shows. `names` are the variable levels of its topic; `body` None: it was deleted."""

    model: type[Shown]
    names: tuple[str, ...]
    body: Shown | None


def filters(root: str) -> list[str]:
    """The topic filters to subscribe to."""
    return ["/".join([root, *("+" if _variable(level) else level for level in levels)]) for levels, _ in _LEVELS]


def read(root: str, topic: str, payload: bytes) -> Heard | None:
    """The message, or None where it is none that the view knows. An empty payload deletes a retained message."""
    if not topic.startswith(root + "/"):
        return None
    found = topic.removeprefix(root + "/").split("/")
    for levels, model in _LEVELS:
        if len(levels) == len(found) and all(_variable(a) or a == b for a, b in zip(levels, found, strict=True)):
            names = tuple(b for a, b in zip(levels, found, strict=True) if _variable(a))
            if not payload:
                return Heard(model, names, None)
            try:
                return Heard(model, names, model.model_validate_json(payload))
            except ValidationError:
                return None
    return None


def _variable(level: str) -> bool:
    return level.startswith("{")
