"""The witness of the nine rules, told to write down instead of ending the run."""

import pytest
from inprocess import InProcess, acts, example

from supervisor.rehearsal.witness import RuleBroken, Witness
from supervisor.values import LinkChanged, Started


def watched(site: InProcess, witness: Witness) -> None:
    witness.see(Started(site.now, site.epoch, "in-process"), [])
    witness.see(LinkChanged(site.now, True), [])
    site.tap = witness.see


def stricter(site: InProcess) -> object:
    """The site file of a witness that allows a purge a quarter of what the guard does."""
    limits = site.site.limits
    nitrogen = limits.nitrogen.model_copy(update={"per_request_nl": 60.0})
    return site.site.model_copy(update={"limits": limits.model_copy(update={"nitrogen": nitrogen})})


def a_site() -> InProcess:
    return InProcess(example("n1"), crew=acts((180, "seal", "n1")), step_s=10.0)


def test_a_witness_that_writes_down_goes_on_and_names_every_request_that_broke_a_rule():
    site, broken = a_site(), []
    witness = Witness(stricter(site), broken.append)  # type: ignore[arg-type]
    watched(site, witness)
    site.run_to(1800)
    over = [mono_s for mono_s, one in site.requests if one.gas == "nitrogen" and one.volume_nl > 60.0]  # type: ignore[attr-defined]
    assert len(over) >= 3 and witness.requests == len(site.requests)
    assert [(one.rule, one.at_s) for one in broken] == [(4, mono_s) for mono_s in over]


def test_else_the_first_ends_the_run():
    site = a_site()
    watched(site, Witness(stricter(site)))  # type: ignore[arg-type]
    with pytest.raises(RuleBroken, match="rule 4: .* nl"):
        site.run_to(1800)
