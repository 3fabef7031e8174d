"""Who sends requests, and who may stay connected.

Pure decisions; the shell reports connections and closes them. The guide (Modbus Messaging
on TCP/IP V1.0b, section 4.2) closes the oldest unused connection when the pool is full.
Only whole requests count as use, so that a client which dribbles bytes ages like an idle
one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network

Network = IPv4Network | IPv6Network


@dataclass(slots=True, eq=False)
class Client:
    """One connected client and what it has asked so far.

    Attributes:
        name: "127.0.0.1:53100", for messages and records.
        host: its address without the port, empty for none.
        role: the role in its certificate, empty for none.
        is_read_only: functions that change anything are answered with exception 01.
        last_used_ns: when it last sent a whole request.
        requests: frames addressed to a device.
        exceptions: replies with each exception code.
        discarded: frames that got no reply.
        struck: requests that a wire fault struck.
    """

    name: str
    host: str = ""
    role: str = ""
    is_read_only: bool = False
    last_used_ns: int = 0
    requests: int = 0
    exceptions: dict[int, int] = field(default_factory=dict)
    discarded: int = 0
    struck: int = 0

    def note_exception(self, code: int) -> None:
        """Count one reply with this exception code."""
        self.exceptions[code] = self.exceptions.get(code, 0) + 1


LOCAL = Client("local")
"""Stands for the owner itself where no connection is involved."""


class WhenFull(Enum):
    """What happens to a connection beyond the cap."""

    CLOSE_OLDEST = "close the oldest idle one"
    REFUSE = "refuse the new one"


def parse_networks(texts: Iterable[str]) -> tuple[Network, ...]:
    """Read networks such as "127.0.0.0/8" or single addresses; ValueError says which."""
    networks = []
    for text in texts:
        try:
            networks.append(ip_network(text))
        except ValueError as error:
            raise ValueError(
                f"expected an address or a network such as '192.0.2.0/24', got {text!r}: {error}"
            ) from None
    return tuple(networks)


@dataclass(frozen=True, slots=True)
class Policy:
    """Who may connect, how many, and for how long without a request.

    Attributes:
        max_connections: 1 or more.
        when_full: what happens to a connection beyond that.
        idle_timeout_ns: close a connection after so long without a whole request; None
            for never.
        allowed: networks that may connect; empty for all.
        read_only: networks whose clients may change nothing.
    """

    max_connections: int = 256
    when_full: WhenFull = WhenFull.CLOSE_OLDEST
    idle_timeout_ns: int | None = None
    allowed: tuple[Network, ...] = ()
    read_only: tuple[Network, ...] = ()

    def __post_init__(self) -> None:
        if self.max_connections < 1:
            raise ValueError(f"expected 1 or more connections, got {self.max_connections}")
        if self.idle_timeout_ns is not None and self.idle_timeout_ns <= 0:
            raise ValueError(f"expected an idle time-out above 0, got {self.idle_timeout_ns} ns")


class Pool:
    """The connected clients of one server, kept to a policy."""

    def __init__(self, policy: Policy) -> None:
        self.policy = policy
        self.clients: dict[Client, None] = {}

    def admit(self, client: Client, now_ns: int) -> tuple[bool, Client | None]:
        """Decide about a new connection.

        Returns:
            Whether it may stay, and which other client has to go for it.
        """
        policy = self.policy
        if policy.allowed and not is_within(client.host, policy.allowed):
            return False, None
        evicted: Client | None = None
        if len(self.clients) >= policy.max_connections:
            if policy.when_full is WhenFull.REFUSE:
                return False, None
            evicted = min(self.clients, key=lambda other: other.last_used_ns)
            self.remove(evicted)
        client.last_used_ns = now_ns
        client.is_read_only = client.is_read_only or is_within(client.host, policy.read_only)
        self.clients[client] = None
        return True, evicted

    def remove(self, client: Client) -> None:
        """Forget a client that is gone."""
        self.clients.pop(client, None)

    def expire(self, now_ns: int) -> tuple[list[Client], int | None]:
        """The clients whose idle time is over, and when to look again (None for never)."""
        timeout_ns = self.policy.idle_timeout_ns
        if timeout_ns is None:
            return [], None
        over = [c for c in self.clients if now_ns - c.last_used_ns >= timeout_ns]
        for client in over:
            self.remove(client)
        oldest_ns = min((c.last_used_ns for c in self.clients), default=now_ns)
        return over, oldest_ns + timeout_ns


def is_within(host: str, networks: tuple[Network, ...]) -> bool:
    """True when the host is an address in one of the networks."""
    try:
        address = ip_address(host)
    except ValueError:
        return False
    return any(address in network for network in networks)
