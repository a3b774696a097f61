"""The broker as the gate: who is let in, by certificates, and what each may say and hear, by the site file.

The signature of a command says which person gives it; the gate says which program or device speaks at all, so that no gateway
can speak for another and nobody but the supervisor can ask for gas.
"""
