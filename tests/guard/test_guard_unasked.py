"""Rule 4: gas that nobody asked for counts too, and what was given outlives a crash. Typed by hand from the example site."""

from guard_world import ready, spend, verdict

READY = ready()


def test_unasked_flow_counts():
    """50 nl/min for 57 minutes, said again each minute: 2,850 nl."""
    world = READY.fork()
    world.flow(50.0)
    for _ in range(57):
        world.live(60, step_s=20.0)
        world.flow(50.0)
    world.flow(0.0, valve_open=False)
    assert verdict(world.fork().ask(volume=150.0)) == "cleared"
    assert verdict(world.fork().ask(volume=150.25, flow=50.0)) == "volume"
    request = world.request(volume=149.0)
    world.guard.judge(request, world.now)
    world.report(request.request_id, "delivered", 149.0)
    assert verdict(world.fork().ask(volume=1.0)) == "cleared"
    assert verdict(world.fork().ask(volume=1.25)) == "volume"


def test_unasked_flow_counts_up_to_the_question():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    world.flow(60.0)
    world.live(30)
    assert verdict(world.fork().ask(volume=120.0)) == "cleared"
    assert verdict(world.fork().ask(volume=120.25)) == "volume"
    world.flow(60.0)
    world.live(30)
    assert verdict(world.fork().ask(volume=90.0)) == "cleared"
    assert verdict(world.fork().ask(volume=90.25)) == "volume"


def test_flow_counts_whatever_the_valve_says_of_itself():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    world.flow(60.0, valve_open=False)
    world.live(60)
    assert verdict(world.ask(volume=90.25)) == "volume"


def test_a_flow_word_is_believed_for_two_minutes():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    world.flow(30.0)
    for seconds, left in ((60, 120.0), (60, 90.0), (60, 90.0), (10, 90.0), (600, 90.0)):
        world.live(seconds)
        assert verdict(world.ask(volume=left + 0.25)) == "volume"
        assert verdict(world.ask(volume=left + 0.25)) == "volume"
        assert verdict(world.fork().ask(volume=left)) == "cleared"


def test_a_trickle_counts():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    world.flow(0.5)
    world.live(60)
    assert verdict(world.fork().ask(volume=149.5)) == "cleared"
    assert verdict(world.fork().ask(volume=149.75)) == "volume"
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    world.flow(0.03125)
    world.live(60)
    assert verdict(world.fork().ask(volume=149.96875)) == "cleared"
    assert verdict(world.fork().ask(volume=150.0)) == "volume"


def test_words_of_no_flow_leave_nothing_behind():
    world = READY.fork()
    world.flow(0.0, valve_open=False)
    before = len(world.guard.dump())
    for _ in range(50):
        world.t += 60
        world.flow(0.0, valve_open=False)
    assert len(world.guard.dump()) < before + 20


def test_words_in_one_instant_leave_nothing_behind():
    world = READY.fork()
    world.flow(50.0)
    before = world.guard.dump()
    world.flow(50.0)
    world.flow(50.0)
    assert world.guard.dump() == before


def test_flow_of_a_running_request_counts_once():
    world = READY.fork()
    spend(world, "nitrogen", 2750.0, every_s=0)
    request = world.request(volume=150.0, ahead=60.0)
    world.guard.judge(request, world.now)
    world.flow(50.0)
    world.live(30)
    world.flow(50.0)
    world.live(30)
    world.flow(0.0)
    assert verdict(world.fork().ask(volume=100.25)) == "volume"
    assert verdict(world.fork().ask(volume=100.0)) == "cleared"
    world.report(request.request_id, "aborted", 50.0)
    assert verdict(world.fork().ask(volume=150.0)) == "cleared"


def test_flow_beyond_the_lease_counts_on_top():
    world = READY.fork()
    spend(world, "nitrogen", 2700.0, every_s=0)
    world.guard.judge(world.request(volume=150.0, ahead=60.0), world.now)
    world.flow(50.0)
    world.live(60)
    world.flow(50.0)
    world.live(60)
    assert verdict(world.fork().ask(volume=100.0)) == "cleared"
    assert verdict(world.fork().ask(volume=100.25)) == "volume"


def test_flow_beyond_the_final_report_counts_on_top():
    world = READY.fork()
    spend(world, "nitrogen", 2700.0, every_s=0)
    request = world.request(volume=150.0, ahead=60.0)
    world.guard.judge(request, world.now)
    world.flow(50.0)
    world.live(30)
    world.report(request.request_id, "delivered", 150.0)
    world.live(30)
    world.flow(0.0)
    assert verdict(world.fork().ask(volume=125.0)) == "cleared"
    assert verdict(world.fork().ask(volume=125.25)) == "volume"


def test_flow_elsewhere_is_counted_elsewhere():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    world.flow(50.0, enclosure="n2")
    world.flow(50.0, gas="air")
    world.flow(50.0, enclosure="nowhere")
    world.flow(50.0, gas="helium")
    world.live(60)
    assert verdict(world.ask(volume=150.0)) == "cleared"


def test_strangers_leave_nothing_behind():
    world = READY.fork()
    before = len(world.guard.dump())
    for number in range(20):
        world.flow(50.0, enclosure=f"nowhere{number}")
        world.flow(50.0, gas=f"helium{number}")
        world.command("seal", f"nowhere{number}", command_id="one")
    assert len(world.guard.dump()) < before + 100


def test_flow_that_began_before_a_crash_still_counts():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    world.flow(60.0)
    world.live(30)
    world = world.fork()
    world.start(8)
    world.link()
    world.live(120)
    world.announce("holding")
    world.flow(0.0)
    assert verdict(world.fork().ask(epoch=8, volume=30.0)) == "cleared"  # 60 nl/min for the two minutes of its word
    assert verdict(world.fork().ask(epoch=8, volume=30.25)) == "volume"


def test_doses_outlive_a_crash():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    request = world.request(volume=150.0)
    world.guard.judge(request, world.now)
    world = world.fork()
    world.start(8)
    world.link()
    world.live(119)
    world.announce("holding")
    assert verdict(world.fork().ask(epoch=8, volume=0.25)) == "busy"
    world.live(1)
    assert verdict(world.fork().ask(epoch=8, volume=0.25)) == "volume"
    world.report(request.request_id, "aborted", 100.0)
    assert verdict(world.fork().ask(epoch=8, volume=50.0)) == "cleared"


def test_what_is_older_than_a_day_is_not_kept():
    world = READY.fork()
    spend(world, "nitrogen", 3000.0, every_s=0)
    size = len(world.guard.dump())
    world.t += 86_500
    world.live(150)
    spend(world, "nitrogen", 150.0, every_s=0)
    assert len(world.guard.dump()) < size - 1000
