"""What the plant's truth is found to be at each look: in the band or not, below the floor or not, hour by hour."""

from supervisor.rehearsal.outcome import Harm, Held, Hourly, PullDown, Season
from supervisor.settings import SiteFile

SEALED = ("pulling_down", "holding", "faulted")  # fruit in an atmosphere of its own; a vent is on its way back to air
NAN = float("nan")


class Truth:
    """Fills in `season` look by look."""

    def __init__(self, site: SiteFile, season: Season) -> None:
        self._site, self._season = site, season
        self._minutes = season.look_s / 60.0
        season.held = {name: Held() for name in site.enclosures}
        season.harm = {name: Harm(name) for name in site.enclosures}
        season.courses = {name: Hourly() for name in site.enclosures}
        season.sealed_s = dict.fromkeys(site.enclosures, 0.0)
        self._pulling: dict[str, PullDown] = {}
        self._hour = 0
        self._o2: dict[str, list[float]] = {name: [] for name in site.enclosures}
        self._co2: dict[str, list[float]] = {name: [] for name in site.enclosures}
        self._states: dict[str, str] = dict.fromkeys(site.enclosures, "filling")

    def look(self, at_s: float, name: str, gas: tuple[float, float], state: str, reached: bool) -> bool:
        """One look at an enclosure; `reached`: by a fault. Returns whether its fruit is being harmed."""
        season, recipe, (o2_pct, co2_pct) = self._season, self._site.recipe_of(name), gas
        self._states[name] = state
        if state in SEALED:
            season.sealed_s[name] += season.look_s
            self._o2[name].append(o2_pct)
            self._co2[name].append(co2_pct)
        if state == "holding":
            held = season.held[name]
            good = abs(o2_pct - recipe.o2_pct) <= recipe.o2_band_pct and abs(co2_pct - recipe.co2_pct) <= recipe.co2_band_pct
            held.looks += 1
            held.in_band += good
            if not reached:
                held.calm_looks += 1
                held.calm_in_band += good
        return state in SEALED and self._harm(at_s, name, o2_pct, co2_pct, reached)

    def _harm(self, at_s: float, name: str, o2_pct: float, co2_pct: float, reached: bool) -> bool:
        harm, recipe = self._season.harm[name], self._site.recipe_of(name)
        harm.lowest_o2_pct = min(harm.lowest_o2_pct, o2_pct)
        harm.highest_co2_pct = max(harm.highest_co2_pct, co2_pct)
        below, above = o2_pct < recipe.o2_floor_pct, co2_pct > recipe.co2_ceiling_pct
        if not (below or above):
            return False
        harm.below_floor_min += self._minutes * below
        harm.above_ceiling_min += self._minutes * above
        harm.calm_min += 0.0 if reached else self._minutes
        harm.first_s = at_s if harm.first_s is None else harm.first_s
        return True

    def changed(self, at_s: float, name: str, was: str, state: str, lot: str, reached: bool) -> None:
        """An enclosure went from one state to another."""
        if state == "pulling_down" and was == "filling":
            self._pulling[name] = PullDown(name, lot, at_s, None, reached)
            self._season.pull_downs.append(self._pulling[name])
        elif state == "holding" and name in self._pulling:
            one = self._pulling.pop(name)
            one.took_s, one.touched = at_s - one.began_s, one.touched or reached
        elif state in ("venting", "filling"):
            self._pulling.pop(name, None)
            if state == "filling" and was == "venting":
                self._season.openings += 1

    def touch(self, enclosures: set[str]) -> None:
        """A fault reaches these now."""
        for name in enclosures & set(self._pulling):
            self._pulling[name].touched = True

    def hour(self, at_s: float) -> None:
        """Closes every hour that is over."""
        while (self._hour + 1) * 3600.0 <= at_s:
            self._hour += 1
            for name, course in self._season.courses.items():
                o2, co2 = self._o2[name], self._co2[name]
                course.o2_min.append(round(min(o2, default=NAN), 3))
                course.o2_max.append(round(max(o2, default=NAN), 3))
                course.co2_min.append(round(min(co2, default=NAN), 3))
                course.co2_max.append(round(max(co2, default=NAN), 3))
                course.state.append(self._states[name])
                o2.clear()
                co2.clear()
