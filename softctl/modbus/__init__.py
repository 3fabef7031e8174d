"""Modbus/TCP without IO: frames, requests, banks, devices and what a server answers.

`frames` splits a byte stream and builds frames; `functions` is the table of function
codes; `bank` is the memory of the four tables; `device` answers one unit's requests;
`server` turns received bytes into things to send, each with its time; `blocks` plans the
fewest requests that fetch or store a set of values.
"""

from softctl.modbus.bank import Bank
from softctl.modbus.clients import Client, Policy, WhenFull
from softctl.modbus.codes import ExceptionCode, Refusal
from softctl.modbus.device import Device
from softctl.modbus.diagnostics import Diagnostics
from softctl.modbus.identification import Identification
from softctl.modbus.server import Server, UnknownUnit

__all__ = [
    "Bank",
    "Client",
    "Device",
    "Diagnostics",
    "ExceptionCode",
    "Identification",
    "Policy",
    "Refusal",
    "Server",
    "UnknownUnit",
    "WhenFull",
]
