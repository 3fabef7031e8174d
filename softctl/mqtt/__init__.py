"""What an MQTT broker gets of a machine, decided without a connection, a clock or IO.

A session says what is to be sent next and takes what came; whoever owns the connection
carries it out. There are two: plain JSON topics, and Sparkplug B 3.0.
"""

from __future__ import annotations

from softctl.mqtt.events import Event
from softctl.mqtt.json_session import JsonSession
from softctl.mqtt.requests import Request
from softctl.mqtt.session import Counters, Incoming, Message, Session
from softctl.mqtt.snapshot import Snapshot
from softctl.mqtt.sparkplug_session import SparkplugSession

__all__ = [
    "Counters",
    "Event",
    "Incoming",
    "JsonSession",
    "Message",
    "Request",
    "Session",
    "Snapshot",
    "SparkplugSession",
]
