"""Carries a trigger out: the table says where to, this says what has to be done on the way."""

from supervisor.core import alarms, doubt, ledger, regulation
from supervisor.core.desk import Desk
from supervisor.core.enclosure import GASES_OF, TRANSITIONS, Trigger, after
from supervisor.core.state import Enclosure
from supervisor.core.verdict import VERDICTS
from supervisor.messages import EnclosureState, at
from supervisor.values import GASES, Row, StopDose


def trigger(desk: Desk, name: str, what: Trigger, reason: str) -> None:
    """Moves an enclosure along its table. Valves of gases that the new state does not know are stopped at once."""
    kept = desk.state.enclosures[name]
    was = kept.state
    if (was, what) not in TRANSITIONS:
        reason = f"no way from {was} by {what}: {reason}"
    kept.state = after(was, what)
    if what == "fault" and was != "faulted":
        kept.faulted_from = was
    if kept.state == "faulted":
        kept.fault_reason = reason
    desk.say("transition", "warning" if kept.state == "faulted" else "info", enclosure=name, was=was, state=kept.state,
             trigger=what, reason=reason)  # fmt: skip
    if what in ("seal", "open") or what.startswith("resume"):
        doubt.begin_anew(desk, name, over_air=what == "seal")
    if kept.state != was:
        _enter(desk, name, kept)
    alarms.condition(desk, "enclosure_faulted", name, kept.state == "faulted", f"from {kept.faulted_from}: {kept.fault_reason}")
    desk.touch(name)
    show(desk, name)


def _enter(desk: Desk, name: str, kept: Enclosure) -> None:
    kept.since_wall_s, kept.since_mono_s = desk.now.wall_s, desk.now.mono_s
    kept.wanted_nl, kept.why, kept.phase = {}, "", ""
    kept.hold_until_mono_s, kept.hold_reason, kept.failures, kept.off_plan = 0.0, "", 0, 0
    kept.pauses_mono_s = {}
    kept.breathable_samples, kept.decided_mono_s, kept.before = 0, None, None
    regulation.reset(kept.o2_loop)
    regulation.reset(kept.co2_loop)
    if kept.state != "faulted":  # what the state before had to say is over with it; a fault keeps its causes in sight
        for row in ("pulldown_off_plan", "pulldown_spent", "nitrogen_impure", "o2_low_no_air"):
            alarms.condition(desk, row, name, False)
    for gas in GASES:
        if gas not in GASES_OF[kept.state] or ledger.running(desk, name, gas) is not None:
            stop(desk, name, gas, f"enclosure is now {kept.state}")
    desk.effects.append(
        Row("transition", (("enclosure", name),), (("state", kept.state),), desk.now.wall_s)
    )


def stop(desk: Desk, name: str, gas: str, reason: str) -> None:
    """Shuts one valve, whatever it carries out."""
    if (dose := ledger.running(desk, name, gas)) is not None:  # type: ignore[arg-type]
        dose.stopped_mono_s = desk.now.mono_s
    desk.effects.append(StopDose(name, gas, None, desk.state.epoch, reason))  # type: ignore[arg-type]


def show(desk: Desk, name: str) -> None:
    """Publishes what is known of an enclosure, retained."""
    kept, recipe = desk.enclosure(name)
    sample = kept.sample
    age_s = None if sample is None else max(0.0, desk.now.mono_s - sample.taken_mono_s)
    old = age_s is not None and age_s > desk.site.timing.sample_age_s_max
    verdict = "none" if sample is None else "uncertain" if old else "good"
    if kept.doubt:
        verdict = VERDICTS[kept.doubted].quality if kept.doubted in VERDICTS else "uncertain"
    problems = alarms.problems(desk, name)
    if kept.doubt:
        problems = [*problems, kept.doubt]
    elif kept.hold_reason and desk.now.mono_s < kept.hold_until_mono_s:
        problems = [*problems, kept.hold_reason]
    desk.publish(
        EnclosureState(
            state=kept.state, since=at(kept.since_wall_s or desk.state.started_wall_s), recipe=recipe.id,
            o2_setpoint_pct=recipe.o2_pct, co2_setpoint_pct=recipe.co2_pct,
            o2_pct=None if sample is None else round(sample.o2_pct, 3),
            co2_pct=None if sample is None else round(sample.co2_pct, 3),
            sampled_at=None if sample is None else at(sample.taken_wall_s),
            sample_age_s=None if age_s is None else round(age_s, 1),
            verdict=verdict, problems=problems,
        ),
        name,
    )  # fmt: skip
