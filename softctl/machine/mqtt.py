"""Reads `mqtt:` of a machine file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from softctl.errors import Place
from softctl.machine.document import Entry
from softctl.machine.model import (
    KeyFiles,
    Mqtt,
    MqttBroker,
    MqttLayout,
    MqttWrites,
    Point,
    Rights,
    Role,
    Scalar,
    Security,
    SparkplugNames,
)
from softctl.machine.mqtt_section import MqttSection
from softctl.machine.reader import Named, Reader
from softctl.machine.security import ALL, point_names, without
from softctl.values.names import suggest

DEVICE = "machine"
"""The Sparkplug device that has the points, unless the file names it."""

_OUTSIDE = (Role.SYSTEM, Role.ALARM)
"""What is published in another way than as points."""


def default_mqtt(machine: str, points: Mapping[str, Point]) -> Mqtt:
    """What a broker on this computer gets of a machine whose file says nothing about it."""
    nowhere = Place("")
    part = Named("mqtt", nowhere, Entry({}, nowhere))
    return _MqttReader(Reader(), part, machine, points, None).build(MqttSection())


def read_mqtt(
    reader: Reader,
    part: Named,
    machine: str,
    points: Mapping[str, Point],
    hmi: Security | None,
) -> Mqtt | None:
    """The section `mqtt`; what is wrong goes to the reader, and None may come back then."""
    if part.entry.child("password") is not None:
        reader.complain(
            "expected no password in a machine file, got one",
            part.entry.keys["password"],
            "password_file names a file that holds it, password_env an environment variable",
        )
        part = without(part, "password")
    section = reader.section(part, MqttSection)
    if section is None:
        return None
    found = _MqttReader(reader, part, machine, points, hmi)
    found.check(section)
    return found.build(section)


@dataclass(slots=True)
class _MqttReader:
    reader: Reader
    part: Named
    machine: str
    points: Mapping[str, Point]
    hmi: Security | None

    def check(self, section: MqttSection) -> None:
        if section.password_file is not None and section.password_env is not None:
            self._complain("one place of the password, got two", "password_env")
        has_password = section.password_file is not None or section.password_env is not None
        if has_password and section.user is None:
            self._complain("'user' beside a password, got none")
        tls = section.tls
        if tls is not None and (tls.certificate is None) is not (tls.key is None):
            self._complain("'certificate' and 'key' together, got one of them", "tls")
        self._check_role(section)

    def build(self, section: MqttSection) -> Mqtt:
        """The section with its names resolved."""
        json, sparkplug = section.json_, section.sparkplug
        topic = "" if json is None else json.topic or f"softctl/{self.machine}"
        if json is None and sparkplug is None:
            topic = f"softctl/{self.machine}"
        return Mqtt(
            broker=self._broker(section),
            points=self._published(),
            interval_ns=section.interval,
            deadband=section.deadband,
            statistics_ns=section.statistics,
            queue=section.queue,
            json_topic=topic,
            json_layout=MqttLayout.SINGLE if json is None else json.layout,
            sparkplug=None
            if sparkplug is None
            else SparkplugNames(
                sparkplug.group,
                sparkplug.node or self.machine,
                sparkplug.device or DEVICE,
                sparkplug.primary_host or "",
            ),
            writes=self._writes(section),
            place=self.part.place,
        )

    def _complain(self, expected: str, *where: str) -> None:
        self.reader.complain(f"expected {expected}", self.part.where(*where))

    def _check_role(self, section: MqttSection) -> None:
        """A role that the HMI server does not have would have no rights there."""
        role = None if section.writes is None else section.writes.role
        if role is None or self.hmi is None or role in self.hmi.roles:
            return
        self.reader.complain(
            f"expected a role of 'hmi.tls' ({', '.join(self.hmi.roles)}), got '{role}'",
            self.part.where("writes", "role"),
            suggest(role, self.hmi.roles),
        )

    def _broker(self, section: MqttSection) -> MqttBroker:
        tls = section.tls
        own = None
        if tls is not None and tls.certificate is not None and tls.key is not None:
            own = KeyFiles(
                Scalar(tls.certificate, self.part.where("tls", "certificate")),
                Scalar(tls.key, self.part.where("tls", "key")),
            )
        return MqttBroker(
            section.host,
            section.port,
            section.version,
            section.client_id or "",
            section.user or "",
            self._scalar(section.password_file, "password_file"),
            section.password_env or "",
            tls is not None,
            None if tls is None else self._scalar(tls.authority, "tls", "authority"),
            own,
        )

    def _scalar(self, text: str | None, *where: str) -> Scalar | None:
        return None if text is None else Scalar(text, self.part.where(*where))

    def _published(self) -> tuple[str, ...]:
        words = self._words("points") or [Scalar(ALL, self.part.place)]
        wanted = self._names(words)
        return tuple(
            name
            for name, point in self.points.items()
            if name in wanted and point.hmi is not None and point.role not in _OUTSIDE
        )

    def _writes(self, section: MqttSection) -> MqttWrites | None:
        if section.writes is None:
            return None
        allowed: set[str] = set()
        for word in self._words("writes", "allow"):
            names = self._names([word])
            usable = {name for name in names if self.points[name].role.is_written_by_hmi}
            if names and not usable:
                self.reader.complain(
                    f"expected what can be written at the HMI server, got '{word.value}'",
                    word.place,
                    "commands and set points are",
                )
            allowed |= usable
        role = section.writes.role or ""
        if self.hmi is not None:
            allowed &= self._granted(role, self.hmi.roles.get(role, self.hmi.no_role), allowed)
        return MqttWrites(frozenset(allowed), role)

    def _granted(self, role: str, rights: Rights, wanted: AbstractSet[str]) -> frozenset[str]:
        """What the role may write at the HMI server; complains where that is nothing."""
        if wanted and not wanted & rights.write:
            who = f"the role '{role}'" if role else "a client without a role"
            self.reader.complain(
                f"expected what {who} may write at the HMI server, got nothing of the kind",
                self.part.where("writes"),
                "`role` of `writes` names a role of `hmi.tls`",
            )
        return rights.write

    def _words(self, *where: str) -> list[Scalar]:
        """One name, or a list of names, each with its place."""
        entry = self.part.entry
        for step in where:
            child = entry.child(step)
            if child is None:
                return []
            entry = child
        items = entry.value if isinstance(entry.value, tuple) else (entry,)
        return [Scalar(str(item.value), item.place) for item in items]

    def _names(self, words: Iterable[Scalar]) -> set[str]:
        return {name for word in words for name in self._of_word(word)}

    def _of_word(self, word: Scalar) -> Iterator[str]:
        yield from point_names(self.reader, self.points, str(word.value), word.place, {})
