"""Reads `tls:` of a server: its files, and which role may read and write which points.

Nothing here knows a role by name. What a role may do is written as points, as groups of
points that the file makes, or as the words of WORDS; everything ends as names of points.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from softctl.errors import Place
from softctl.machine.document import Entry, describe
from softctl.machine.model import Address, KeyFiles, Point, Rights, Role, Scalar, Security
from softctl.machine.reader import Named, Reader
from softctl.machine.sections import (
    ControllerSection,
    FieldTlsSection,
    RightsSection,
    TlsSection,
)
from softctl.values.names import suggest

ALL: Final = "all"
KINDS: Final = {role.value if role is Role.SYSTEM else f"{role.value}s": role for role in Role}
"""Words for all points of one kind."""

WORDS: Final = (ALL, *KINDS)
_NESTED: Final = ("groups", "roles", "no_role", "controller")


def read_security(
    reader: Reader, server: Named, side: str, points: Mapping[str, Point]
) -> Security | None:
    """The `tls:` of a server (`side` is `field` or `hmi`), or None without one.

    What is wrong goes to the reader, and None may come back then as well.
    """
    entry = server.entry.child("tls")
    if entry is None:
        return None
    place = server.entry.keys["tls"]
    return _SecurityReader(reader, Named(f"{side}.tls", place, entry), side, points).read()


def without(named: Named, *keys: str) -> Named:
    """A part of the file without some of its keys, which are read in another way."""
    value = named.entry.value
    if not isinstance(value, Mapping):
        return named
    rest = {key: entry for key, entry in value.items() if key not in keys}
    return Named(named.name, named.place, Entry(rest, named.entry.place, named.entry.keys))


def point_names(
    reader: Reader,
    points: Mapping[str, Point],
    word: str,
    place: Place,
    groups: Mapping[str, tuple[str, ...]],
) -> tuple[str, ...]:
    """The points that a word stands for; complains about one that is none of ours."""
    if word in WORDS and word in points:
        reader.complain(
            f"expected a word with one meaning, got '{word}', a point and a kind of points",
            place,
            "rename the point",
        )
    elif word in WORDS:
        kind = KINDS.get(word)
        return tuple(n for n, p in points.items() if kind is None or p.role is kind)
    elif word in groups:
        return groups[word]
    elif word in points:
        return (word,)
    else:
        ours = "a point, a group" if groups else "a point"
        reader.complain(
            f"expected {ours} or one of {', '.join(WORDS)}; got '{word}'",
            place,
            suggest(word, (*WORDS, *groups, *points)),
        )
    return ()


@dataclass(slots=True)
class _SecurityReader:
    reader: Reader
    tls: Named
    side: str
    points: Mapping[str, Point]

    def read(self) -> Security | None:
        is_field = self.side == "field"
        model = FieldTlsSection if is_field else TlsSection
        section = self.reader.section(without(self.tls, *_nested(model)), model)
        if not isinstance(self.tls.entry.value, Mapping):
            return None
        groups = dict(self._groups())
        roles = dict(self._roles(groups))
        no_role = self._no_role(groups)
        controller = self._controller(roles, no_role) if is_field else None
        if section is None:
            return None
        return Security(
            own=self._files(self.tls),
            authority=_text(self.tls, "authority"),
            roles=roles,
            no_role=no_role,
            place=self.tls.place,
            controller=None if controller is None else self._files(self._part("controller")),
            controller_role="" if controller is None else controller.role or "",
            server_name=getattr(section, "server_name", None) or "",
        )

    def _part(self, key: str) -> Named:
        """A part of `tls`; a missing one is empty and stands where `tls` stands."""
        entry = self.tls.entry.child(key)
        if entry is None:
            return Named(f"{self.tls.name}.{key}", self.tls.place, Entry({}, self.tls.place))
        return Named(f"{self.tls.name}.{key}", self.tls.entry.keys[key], entry)

    @staticmethod
    def _files(named: Named) -> KeyFiles:
        return KeyFiles(_text(named, "certificate"), _text(named, "key"))

    # Groups

    def _groups(self) -> Iterator[tuple[str, tuple[str, ...]]]:
        for named in self.reader.children(self._part("groups"), "groups"):
            if named.name in WORDS or named.name in self.points:
                what = "a point" if named.name in self.points else "a kind of points"
                self.reader.complain(
                    f"expected a name for a group that is free, got '{named.name}', {what}",
                    named.place,
                )
                continue
            before = len(self.reader.problems)
            members: list[str] = []
            for word, place in self._words(named.entry):
                members += self._members(word, place, {})
            # Nothing more is said about a group whose members are in doubt.
            is_good = len(self.reader.problems) == before
            yield named.name, tuple(members) if is_good else ()

    def _words(self, entry: Entry) -> Iterator[tuple[str, Place]]:
        """The names in a value that is one name or a list of names."""
        for item in entry.value if isinstance(entry.value, tuple) else (entry,):
            if isinstance(item.value, str):
                yield item.value, item.place
            else:
                self.reader.complain(
                    f"expected a name such as 'commands' or a point's, got {describe(item.value)}",
                    item.place,
                )

    # Roles

    def _roles(self, groups: Mapping[str, tuple[str, ...]]) -> Iterator[tuple[str, Rights]]:
        roles = self._part("roles")
        if not isinstance(roles.entry.value, Mapping):
            got = describe(roles.entry.value)
            self.reader.complain(f"expected roles by name, got {got}", roles.entry.place)
        elif not roles.entry.value:
            self.reader.complain(
                f"expected 'roles' in {self.tls.name}, got none: nobody could do anything",
                roles.place,
                "for example: roles: {fitter: {read: all, write: all}}",
            )
        else:
            for role, entry in roles.entry.value.items():
                place = roles.entry.keys[role]
                if role.strip() and role.isprintable():
                    yield role, self._rights(Named(f"role {role}", place, entry), groups)
                else:
                    self.reader.complain(f"expected the text of a role, got {role!a}", place)

    def _no_role(self, groups: Mapping[str, tuple[str, ...]]) -> Rights:
        if self.tls.entry.child("no_role") is None:
            return Rights()
        return self._rights(self._part("no_role"), groups)

    def _rights(self, named: Named, groups: Mapping[str, tuple[str, ...]]) -> Rights:
        if self.reader.section(named, RightsSection) is None:
            return Rights()
        found: dict[str, frozenset[str]] = {}
        for key, is_write in (("read", False), ("write", True)):
            entry = named.entry.child(key)
            words = () if entry is None else self._words(entry)
            names = (self._usable(word, place, groups, is_write) for word, place in words)
            found[key] = frozenset(name for several in names for name in several)
        return Rights(**found)

    def _usable(
        self, word: str, place: Place, groups: Mapping[str, tuple[str, ...]], is_write: bool
    ) -> list[str]:
        """The points that a word stands for, as far as this server lets anyone touch them.

        A word that stands for points of which none can be touched is a mistake.
        """
        before = len(self.reader.problems)
        members = self._members(word, place, groups)
        usable = [name for name in members if self._is_usable(self.points[name], is_write)]
        if members and not usable and len(self.reader.problems) == before:
            verb = "written" if is_write else "read"
            self.reader.complain(
                f"expected what can be {verb} at the {self.side} server, got '{word}'",
                place,
                self._advice() if is_write else "it is not on that server",
            )
        return usable

    def _advice(self) -> str:
        return "outputs are" if self.side == "field" else "commands and set points are"

    def _members(
        self, word: str, place: Place, groups: Mapping[str, tuple[str, ...]]
    ) -> tuple[str, ...]:
        return point_names(self.reader, self.points, word, place, groups)

    def _is_usable(self, point: Point, is_write: bool) -> bool:
        address = self._address(point)
        return address is not None and (address.table.is_writable or not is_write)

    def _address(self, point: Point) -> Address | None:
        return point.field if self.side == "field" else point.hmi

    # The controller

    def _controller(self, roles: Mapping[str, Rights], no_role: Rights) -> ControllerSection | None:
        part = self._part("controller")
        if self.tls.entry.child("controller") is None:
            self.reader.complain(
                f"expected the key 'controller' in {self.tls.name}, got none",
                part.place,
                "the certificate and key that the controller shows to the field",
            )
            return None
        section = self.reader.section(part, ControllerSection)
        if section is None:
            return None
        place = part.where("role")
        if section.role is not None and section.role not in roles:
            known = ", ".join(roles) or "none"
            self.reader.complain(
                f"expected a role among {known}; got '{section.role}'",
                place,
                suggest(section.role, roles),
            )
            return section
        rights = no_role if section.role is None else roles[section.role]
        self._check_reach(section.role, rights, place)
        return section

    def _check_reach(self, role: str | None, rights: Rights, place: Place) -> None:
        """A controller that may not do all of its work would never have a healthy link."""
        for point in self.points.values():
            is_write = point.role is Role.OUTPUT
            may = rights.write if is_write else rights.read
            if point.field is not None and point.name not in may:
                verb = "write" if is_write else "read"
                self.reader.complain(
                    f"expected a role for the controller that may {verb} {point.name}, got "
                    + (f"'{role}'" if role else "none"),
                    place,
                    "it reads every input and writes every output",
                )
                return


def _nested(model: type[TlsSection]) -> list[str]:
    """The keys that are read one by one; unknown ones stay for the model to refuse."""
    return [key for key in _NESTED if key in model.model_fields]


def _text(named: Named, key: str) -> Scalar:
    entry = named.entry.child(key)
    value = "" if entry is None else str(entry.value)
    return Scalar(value, named.where(key))
