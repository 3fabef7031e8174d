"""Writes that came by MQTT, judged as far as that needs no controller.

1. Nothing is allowed that the machine file does not allow.
2. A retained request is refused: a broker would give it again at every connection.
3. A request with an `id` is carried out once. When it comes again (QoS 1 may do that), it
   gets the same answer and nothing is written.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from softctl.machine import MqttWrites, Point, Value
from softctl.mqtt.values import from_plain, to_plain
from softctl.values.names import suggest

_REMEMBERED = 500
_LONGEST_ID = 200


@dataclass(frozen=True, slots=True)
class Request:
    """Values to be written, in this order; `id` is the client's, empty for none."""

    values: tuple[tuple[Point, Value], ...]
    id: str = ""
    response_topic: str = ""
    correlation: bytes | None = None

    @property
    def names(self) -> list[str]:
        """The points it is about."""
        return [point.name for point, _ in self.values]


class RefusedError(Exception):
    """A request is not carried out; the text says why."""


class Permissions:
    """Which points may be written."""

    def __init__(self, points: Mapping[str, Point], writes: MqttWrites | None) -> None:
        self._points = points
        self._allowed = frozenset() if writes is None else writes.allow

    @property
    def is_any(self) -> bool:
        """True when something may be written."""
        return bool(self._allowed)

    def may(self, name: str) -> bool:
        """True when this point may be written."""
        return name in self._allowed

    def values(self, wanted: Sequence[tuple[str, object]]) -> tuple[tuple[Point, Value], ...]:
        """The values of a request; raises RefusedError."""
        if not wanted:
            raise RefusedError("expected values, got none")
        return tuple((self._point(name), self._value(name, plain)) for name, plain in wanted)

    def _point(self, name: str) -> Point:
        if name not in self._points:
            hint = suggest(name, sorted(self._allowed))
            raise RefusedError(
                f"expected the name of a point, got {name[:60]}. {hint}".rstrip(" .")
            )
        if name not in self._allowed:
            raise RefusedError(f"the machine file does not allow writing {name} from MQTT")
        return self._points[name]

    def _value(self, name: str, plain: object) -> Value:
        point = self._point(name)
        try:
            value = from_plain(plain, point)
        except ValueError as error:
            raise RefusedError(f"{name}: {error}") from None
        if not _is_within(value, point):
            low, high = (to_plain(end or 0, point.type) for end in (point.low, point.high))
            raise RefusedError(f"{name}: expected a value from {low} to {high}, got {plain}")
        return value


def _is_within(value: Value, point: Point) -> bool:
    low, high = point.low, point.high
    return isinstance(value, str) or low is None or high is None or low <= value <= high


class Answers:
    """The answers that were given, by the clients' ids."""

    def __init__(self) -> None:
        self._given: OrderedDict[str, bytes | None] = OrderedDict()

    def is_known(self, id_: str) -> bool:
        """Whether a request with this id came before."""
        return bool(id_) and id_ in self._given

    def given(self, id_: str) -> bytes | None:
        """Its answer, None while it is still being carried out."""
        return self._given[id_]

    def begin(self, id_: str) -> None:
        """A request is about to be carried out."""
        if id_:
            self._given[id_] = None
            while len(self._given) > _REMEMBERED:
                self._given.popitem(last=False)

    def end(self, id_: str, answer: bytes) -> None:
        """It has its answer."""
        if id_ in self._given:
            self._given[id_] = answer


def read_id(value: object) -> str:
    """A request's id; raises RefusedError for what cannot be one."""
    if value is None:
        return ""
    if isinstance(value, str | int) and not isinstance(value, bool) and value != "":
        text = str(value)
        if len(text) <= _LONGEST_ID:
            return text
    raise RefusedError("expected a text of 1 to 200 characters as id")
