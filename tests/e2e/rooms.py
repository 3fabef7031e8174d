"""Rooms: processes kept apart as containers keep them, without a container engine.

A room is a network namespace with a cable into the switch (bridge) of each of its networks,
and for each process in it a mount namespace with a root of its own: what the image would
hold, the volumes, nothing else, and read-only. One process, the house, owns the namespace
in which switches and rooms are, so the computer's own network is never touched, and when
the tests end or are killed the kernel takes everything away.

What an engine does and this does not: limits of memory, processors and processes, the
filter of system calls, published ports, and the names that its DNS gives (here a hosts
file, with the names of the services that share a network).
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn, TypeVar

import pytest
from compose_file import ROOT, Service, image_environment

T = TypeVar("T")

_PREFIXES = ("192.0.2", "198.51.100", "203.0.113")
"""Blocks for documentation (RFC 5737), so that a mistake reaches nobody."""

_FROM_THE_HOST = ("bin", "sbin", "lib", "lib64", "usr", "etc")
_WAIT_S = 30.0


class RefusedError(Exception):
    """This computer lets nobody make what rooms need."""


_REFUSALS = ("not permitted", "not supported", "denied")


def run(*command: str) -> str:
    """Output of a command that has to work; raises RefusedError where it may not."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        _refuse(" ".join(command), done.stderr)
    return done.stdout


def _refuse(command: str, error: str) -> NoReturn:
    if any(words in error for words in _REFUSALS):
        raise RefusedError(error.strip())
    raise AssertionError(f"{command}: {error}")


def wait_until(condition: Callable[[], object], what: str, timeout_s: float = _WAIT_S) -> None:
    """Wait for something that comes in wall time; fails the test when it does not."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, f"never: {what}"
        time.sleep(0.02)


@dataclass
class Room:
    """A place with its addresses by network, for a service and its process, or for a guest."""

    name: str
    log: Path
    _service: Service | None = None
    _process: subprocess.Popen[bytes] | None = None
    addresses: dict[str, str] = field(default_factory=dict)

    @property
    def service(self) -> Service:
        """What runs here."""
        assert self._service is not None, f"{self.name} is for a guest"
        return self._service

    @property
    def process(self) -> subprocess.Popen[bytes]:
        """The process that was started last."""
        assert self._process is not None, f"{self.name} was not started"
        return self._process

    @process.setter
    def process(self, process: subprocess.Popen[bytes]) -> None:
        self._process = process

    @property
    def has_process(self) -> bool:
        """Whether anything was started here."""
        return self._process is not None

    @property
    def has_ended(self) -> bool:
        """Whether what was started runs no more."""
        return self.process.poll() is not None

    @property
    def told(self) -> str:
        """What the service has written."""
        return self.log.read_text(encoding="utf-8")


class House:
    """All rooms and switches. Leaving it ends every process in it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.rooms: dict[str, Room] = {}
        self._networks: dict[str, str] = {}
        self._gateways: dict[str, str] = {}
        # It ends by itself when its standard input does, so also when the tests are killed.
        self._owner = subprocess.Popen(
            ["unshare", "--mount", "--net", "sh", "-euc", "mount -t tmpfs tmpfs /run; echo; cat"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert self._owner.stdout is not None
        if not self._owner.stdout.readline():
            _, error = self._owner.communicate(timeout=_WAIT_S)
            _refuse("unshare", error.decode(errors="replace"))
        self._inside = ["nsenter", f"--target={self._owner.pid}", "--mount", "--net", "--"]

    def close(self) -> None:
        """End all processes; the namespaces go with them."""
        running = [room.process for room in self.rooms.values() if room.has_process]
        for process in running:
            process.kill()
        for process in running:
            process.wait(timeout=_WAIT_S)
        self._owner.communicate(timeout=_WAIT_S)

    # Networks and cables

    def ip(self, *arguments: str) -> str:
        """iproute2's `ip`, in the house."""
        return run(*self._inside, "ip", *arguments)

    def add_network(self, name: str, *, is_internal: bool) -> None:
        """A switch; the house has an address at one that is not internal, as a host has."""
        prefix = self._networks[name] = _PREFIXES[len(self._networks)]
        self.ip("link", "add", f"br-{name}", "type", "bridge")
        self.ip("link", "set", f"br-{name}", "up")
        if not is_internal:
            self._gateways[name] = f"{prefix}.1"
            self.ip("address", "add", f"{prefix}.1/24", "dev", f"br-{name}")

    def add_room(self, name: str, networks: Sequence[str], service: Service | None = None) -> Room:
        """A room with a cable into each of these networks."""
        room = self.rooms[name] = Room(name, self._folder / f"{name}.log", service)
        self.ip("netns", "add", name)
        self.ip("-n", name, "link", "set", "lo", "up")
        for network in networks:
            prefix, cable = self._networks[network], self._cable(name, network)
            room.addresses[network] = f"{prefix}.{len(self.rooms) + 10}"
            peer = ("peer", "name", network, "netns", name)
            self.ip("link", "add", cable, "type", "veth", *peer)
            self.ip("link", "set", cable, "master", f"br-{network}", "up")
            self.ip("-n", name, "address", "add", f"{room.addresses[network]}/24", "dev", network)
            self.ip("-n", name, "link", "set", network, "up")
        gateways = [self._gateways[network] for network in networks if network in self._gateways]
        if gateways:
            self.ip("-n", name, "route", "add", "default", "via", gateways[0])
        return room

    def set_cable(self, room: str, network: str, *, is_in: bool) -> None:
        """Pull a room's cable out of its switch, or put it in again."""
        self.ip("link", "set", self._cable(room, network), "up" if is_in else "down")

    @staticmethod
    def _cable(room: str, network: str) -> str:
        return f"{room}-{network}"[:15]

    def set_sysctl(self, room: str, name: str, value: str) -> None:
        """A setting of the kernel for one room's network."""
        path = f"/proc/sys/{name.replace('.', '/')}"
        run(*self._inside, "ip", "netns", "exec", room, "sh", "-c", f"echo {value} > {path}")

    def inside(self, room: str, act: Callable[[], T]) -> T:
        """Do something in a thread whose new sockets are in a room's network."""
        result: list[T] = []
        errors: list[BaseException] = []

        def go() -> None:
            try:
                with open(f"/proc/{self._owner.pid}/root/run/netns/{room}") as namespace:
                    libc = ctypes.CDLL(None, use_errno=True)
                    assert libc.setns(namespace.fileno(), 0x4000_0000) == 0, ctypes.get_errno()
                result.append(act())
            except BaseException as error:
                errors.append(error)

        thread = threading.Thread(target=go)
        thread.start()
        thread.join()
        if errors:
            raise errors[0]
        return result[0]

    # Processes

    def start(self, room: Room, environment: Mapping[str, str] | None = None) -> None:
        """Start a room's service as the compose file has it: command, user, mounts, rights."""
        service = room.service
        for name, value in service.get("sysctls", {}).items():
            self.set_sysctl(room.name, name, str(value))
        root = self._folder / f"{room.name}-root"
        root.mkdir(exist_ok=True)
        script = self._folder / f"{room.name}.sh"
        script.write_text(self._script(room, service, root), encoding="utf-8")
        command = [*self._inside, "ip", "netns", "exec", room.name, "sh", "-eu", str(script)]
        with room.log.open("ab") as log:
            room.process = subprocess.Popen(
                command, env=_environment(service, environment), stdout=log, stderr=log
            )

    def execute(self, room: Room, command: Sequence[str]) -> subprocess.CompletedProcess[str]:
        """Run one more command in a room where a service runs, as a health check is."""
        enter = ("nsenter", f"--target={room.process.pid}", "--mount", "--net", "--root", "--wd")
        return subprocess.run(
            [*enter, *_as_user(room.service), *command],
            env=_environment(room.service),
            capture_output=True,
            text=True,
            check=False,
            timeout=_WAIT_S,
        )

    def is_healthy(self, room: Room) -> bool:
        """What the service's own health check says; fails where the service has ended."""
        assert not room.has_ended, room.told
        assert room.service.health is not None
        return self.execute(room, room.service.health).returncode == 0

    def stop(self, room: Room) -> int:
        """The signal that an engine sends, and the exit code."""
        room.process.send_signal(signal.Signals[room.service.get("stop_signal", "SIGTERM")])
        return room.process.wait(timeout=10)

    def volume(self, name: str) -> Path:
        """A named volume's folder, with the owner that the image gives its mount point."""
        folder = self._folder / f"volume-{name}"
        if not folder.exists():
            folder.mkdir(mode=0o700)
        return folder

    def names(self, room: Room) -> dict[str, str]:
        """Addresses by the names that a room knows: of those it shares a network with."""
        return {
            other.name: address
            for other in self.rooms.values()
            for network, address in other.addresses.items()
            if network in room.addresses
        }

    def _script(self, room: Room, service: Service, root: Path) -> str:
        """What makes the root, in a mount namespace of its own, and becomes the service."""
        hosts, no_dns = self._folder / f"{room.name}.hosts", self._folder / "resolv.conf"
        lines = [f"{address} {name}" for name, address in self.names(room).items()]
        hosts.write_text("\n".join(["127.0.0.1 localhost", *lines, ""]), encoding="utf-8")
        no_dns.write_text("", encoding="utf-8")
        lines = [f"mount -t tmpfs -o mode=0755 tmpfs {root}"]

        def bind(source: Path, target: str, *, writable: bool = False) -> None:
            place = f"{root}{target}"
            there = f"mkdir -p $(dirname {place}); touch {place}"
            make = f"mkdir -p {place}" if source.is_dir() else f"test -e {place} || {{ {there}; }}"
            lines.append(f"{make}; mount --bind {source} {place}")
            if not writable:
                lines.append(f"mount -o remount,bind,ro {place}")

        # First of all, since a checkout under one of them (/tmp) is bound into it.
        for target, options in service.tmpfs.items():
            lines.append(
                f"mkdir -p {root}{target}; mount -t tmpfs -o {options} tmpfs {root}{target}"
            )
        for name in _FROM_THE_HOST:
            source = Path("/", name)
            if source.is_symlink():
                lines.append(f"cp --no-dereference {source} {root}/{name}")
            elif source.is_dir():
                bind(source, f"/{name}")
        for folder in _python_folders():
            bind(folder, str(folder))
        bind(Path(sys.prefix), "/opt/softctl")
        bind(hosts, "/etc/hosts")
        bind(no_dns, "/etc/resolv.conf")
        lines += [f"mkdir {root}/{name}; mount --rbind /{name} {root}/{name}" for name in _LIVE]
        for volume in service.volumes:
            source = self.volume(volume.source) if volume.is_named else volume.path
            if volume.is_named:
                lines.append(f"chown {service['user']} {source}")
            bind(source, volume.target, writable=not volume.is_read_only)
        if service["read_only"]:
            lines.append(f"mount -o remount,ro {root}")
        started = [*_as_user(service), *service.command]
        lines.append(f"exec chroot {root} {' '.join(_quoted(started))}")
        return "\n".join([*lines, ""])


_LIVE = ("proc", "dev")


def _quoted(words: Sequence[str]) -> Iterator[str]:
    for word in words:
        assert "'" not in word
        yield f"'{word}'"


def _python_folders() -> list[Path]:
    """Where this Python and the checkout are: what the image has under /opt/softctl.

    Each is bound alone, so that it does not matter who may enter the folders above.
    """
    wanted = [Path(sys.base_prefix), Path(sys.prefix), ROOT]
    return [folder for folder in wanted if folder.parts[1] not in _FROM_THE_HOST]


def _as_user(service: Service) -> list[str]:
    user, group = service["user"].split(":")
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    drop = ["--inh-caps=-all", "--ambient-caps=-all", "--bounding-set=-all", "--no-new-privs"]
    ids = [f"--reuid={user}", f"--regid={group}", "--clear-groups"]
    return ["setpriv", *ids, *drop, "--pdeathsig=KILL"]


def _environment(service: Service, more: Mapping[str, str] | None = None) -> dict[str, str]:
    """The image's and the service's environment, and where the checkout is."""
    image = image_environment() if service.is_ours else {}
    return {
        "PATH": "/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin",
        "PYTHONPATH": str(ROOT),
        **image,
        **service.get("environment", {}),
        **(more or {}),
    }


@contextlib.contextmanager
def house(folder: Path, networks: Mapping[str, bool]) -> Iterator[House]:
    """A house with switches, or a skipped test where this user may not build one.

    A network's value says whether it is internal.
    """
    if os.geteuid() != 0:
        pytest.skip("needs root, to make network namespaces, bridges and mounts")
    with contextlib.ExitStack() as stack:
        try:
            built = House(folder)
            stack.callback(built.close)
            built.ip("link", "add", "probe", "type", "veth", "peer", "name", "eborp")
            for name, is_internal in networks.items():
                built.add_network(name, is_internal=is_internal)
        except RefusedError as error:
            pytest.skip(f"needs the privilege to make network namespaces and bridges: {error}")
        yield built
