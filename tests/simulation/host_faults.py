"""What can happen to the supervisor itself: its process, its disk, its clock, a second one, and the history database."""

from simulator.kinds import Kind, Size, table

HOST = table(
    # Size: at which of the points at which a process can die and it matters, counted from the start: before a commit, within
    # its transaction, after it, before and after each message that leaves, before and after what came is acknowledged.
    Kind("supervisor_killed", "host", "The supervisor is killed at the point {size} from now", (5.0, 600.0),
         Size("which point from now on", 1.0, 1000.0, (1.0, 25.0))),
    # The boot id is another one and the time since boot begins anew: only the wall clock tells how long it was away.
    Kind("machine_rebooted", "host", "The controller loses its power", (30.0, 600.0)),
    Kind("disk_full", "host", "The controller's disk is full", (20.0, 600.0)),
    Kind("disk_slow", "host", "Each commit takes {size} s", (30.0, 600.0),
         Size("s that each commit takes", 0.0, 600.0, (0.5, 40.0), "by_ratio")),
    Kind("clock_stepped", "host", "The controller's wall clock is {size} s ahead", (20.0, 900.0),
         Size("s that it is ahead", -1e7, 1e7, (4.0, 90_000.0), "either_sign")),
    Kind("second_supervisor", "host", "A second supervisor runs, on {size}", (60.0, 900.0),
         Size("0: an empty state folder, 1: a copy of the first one's", 0.0, 1.0, (0.0, 1.0), "one_of",
              ((0.0, "an empty state folder"), (1.0, "a copy of the state folder")))),
    # In simulated time days would cost too much; what counts is that rows wait, and that control does not.
    Kind("history_away", "host", "The history database is away", (300.0, 1800.0)),
)  # fmt: skip
