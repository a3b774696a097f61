"""The site that is simulated: three small enclosures of the example, in two rooms, so that an hour holds a whole pull-down."""

import re
import tomllib
from functools import lru_cache
from typing import Any, NamedTuple

from simulator.assumed import Cadence
from simulator.sitefile import SiteSpec, read_site
from supervisor.settings import SiteFile
from tests.inprocess import example

ENCLOSURES = ("n1", "n2", "s3")
FREE_NL, FRUIT_KG = 300, 130  # a quarter of the example's, in the same proportion
# As seldom as the site's limits allow with room for a message or two that is lost: air 30 s, units 45 s.
CADENCE = Cadence(
    status_s=12.0, reading_s=10.0, air_s=10.0, climate_s=600.0, pulp_s=600.0, bag_s=600.0, flow_s=60.0, source_s=30.0
)


class Site(NamedTuple):
    """One site file, read by both programs."""

    raw: dict[str, Any]
    file: SiteFile
    spec: SiteSpec


@lru_cache(maxsize=1)
def site() -> Site:
    text = example(*ENCLOSURES)
    text = re.sub(r"(?m)^free_volume_nl = \d+", f"free_volume_nl = {FREE_NL}", text)
    text = re.sub(r"(?m)^fruit_kg = \d+", f"fruit_kg = {FRUIT_KG}", text)
    # Three air changes an hour, so that a room whose air was bad is good again soon.
    text = text.replace("ventilation_m3_h = 120", "ventilation_m3_h = 1200")
    # Samples take the same gas out of a quarter of the volume.
    text = text.replace("drawn_pct_max = 10 ", "drawn_pct_max = 40 ")
    raw = tomllib.loads(text)
    return Site(raw, SiteFile.model_validate(raw), read_site(raw))
