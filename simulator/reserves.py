"""What stands between what a source makes and what is drawn from it: a generator's buffer, a bank's vaporiser.

Each is told how long a flow has lasted, and says how long it can go on before something changes. Flows nl/min, times minutes.
"""

from .assumed import BUFFER_MIN, BUFFER_SPAN, ICED_SHARE, ICING_MIN, THAWED

EMPTY_NL = 1e-3
NEARLY = 1e-9  # time comes in whole milliseconds


class Buffer:
    """Pressed gas behind a compressor. While it lasts, more may be drawn than is made; then no more than that."""

    def __init__(self, rated_nl_min: float, pressure_kpa_min: float) -> None:
        self._size_nl = self._left_nl = BUFFER_MIN * rated_nl_min
        self._low_kpa, self._full_kpa = (share * pressure_kpa_min for share in BUFFER_SPAN)

    @property
    def empty(self) -> bool:
        return self._left_nl <= EMPTY_NL

    @property
    def pressure_kpa(self) -> float:
        return self._low_kpa + (self._full_kpa - self._low_kpa) * self._left_nl / self._size_nl

    def advance(self, minutes: float, drawn_nl_min: float, made_nl_min: float) -> None:
        left_nl = self._left_nl + (made_nl_min - drawn_nl_min) * minutes
        self._left_nl = min(max(left_nl, 0.0), self._size_nl)

    def lasts_min(self, drawn_nl_min: float, made_nl_min: float) -> float | None:
        """How long until it is empty, or None."""
        if self.empty or drawn_nl_min <= made_nl_min:
            return None
        return self._left_nl / (drawn_nl_min - made_nl_min)


class Vaporiser:
    """Turns liquid CO2 into gas. Drawn harder than it can be warmed it ices up, and gives little until it has thawed."""

    def __init__(self) -> None:
        self._ice = 0.0
        self.iced = False

    def share(self) -> float:
        """What it lets through of the flow that it keeps up."""
        return ICED_SHARE if self.iced else 1.0

    def advance(self, minutes: float, drawn_nl_min: float, kept_up_nl_min: float) -> None:
        self._ice = min(max(self._ice + self._rate(drawn_nl_min, kept_up_nl_min) * minutes, 0.0), 1.0)
        if self._ice >= 1.0 - NEARLY:
            self.iced = True
        elif self._ice <= THAWED + NEARLY:
            self.iced = False

    def lasts_min(self, drawn_nl_min: float, kept_up_nl_min: float) -> float | None:
        """How long until it has iced up or thawed, or None."""
        rate = self._rate(drawn_nl_min, kept_up_nl_min)
        if not self.iced and rate > 0.0:
            return (1.0 - self._ice) / rate
        if self.iced and rate < 0.0:
            return (self._ice - THAWED) / -rate
        return None

    @staticmethod
    def _rate(drawn_nl_min: float, kept_up_nl_min: float) -> float:
        return (drawn_nl_min / kept_up_nl_min - 1.0) / ICING_MIN
