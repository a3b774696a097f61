"""The rehearsal: a whole season of a site in one process, the production engine against the simulated plant, and its verdict.

The only part of the supervisor that may know the simulator, and nothing but the command line knows it.
"""
