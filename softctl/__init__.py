"""A Modbus/TCP soft controller, machine simulator and test harness.

Never a safety function: emergency stops and trips are hard-wired and designed by
licensed people to the local code.
"""

__version__ = "0.1.0"
