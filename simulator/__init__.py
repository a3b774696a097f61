"""A stand-in for all the hardware of a site, speaking only the message contract.

It imports nothing of the supervisor and retypes the wire format and the gas physics, so that the two can disagree.
Gas amounts are normal litres (0 degC, 101.325 kPa), gas contents volume percent of dry gas.
"""
