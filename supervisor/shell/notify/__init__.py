"""Tells people of alarms. `calls` decides who must know, `packing` what goes out now, `sender` sends it; the rest serves them.

What is guaranteed: nothing that was decided is lost. A call, what waits and what is being sent lie in the journal, written
with the batch that raised the alarm, before anything is sent. A message whose sending was not known to have ended when
the process died is sent again, with the same number and the words that it may be a repeat: for people a repeat beats a
loss. The window is the time between a server's yes and the loop's next commit, a tick at most.
"""
