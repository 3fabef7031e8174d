"""What outlives a restart: RETAIN variables as bytes and back.

1. A cold start gives every variable its initial value; a warm start gives those that are
   RETAIN the value they had (IEC 61131-3, rules of the RETAIN qualifier).
2. A value comes back only to a variable of the same path and type; the rest is reported.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from softctl.errors import SoftctlError
from softctl.logic import Application, Instance


@dataclass(frozen=True, slots=True)
class WarmStart:
    """What a warm start did: how many variables got their value, and which could not."""

    restored: int
    lost: tuple[str, ...]


class Retained:
    """The RETAIN variables of one instance; `save` gives bytes, `load` takes them back."""

    def __init__(self, application: Application, instance: Instance) -> None:
        self._instance = instance
        self.paths = application.retained
        self._types = {path: str(instance.type_of(path)) for path in self.paths}
        self._read = instance.reader(self.paths)
        self._last: tuple[Any, ...] | None = None
        self._head = json.dumps(self._types, separators=(",", ":"))

    def changed(self) -> bytes | None:
        """All values as bytes if one has changed since the last call, else None."""
        values = self._read()
        if values == self._last:
            return None
        self._last = values
        body = json.dumps(values, separators=(",", ":"))
        return f'{{"types":{self._head},"values":{body}}}'.encode()

    def load(self, saved: bytes) -> WarmStart:
        """Give the variables their saved values.

        Raises SoftctlError if the bytes are not what `changed` gave.
        """
        restored, lost = 0, []
        for path, (type_, value) in _read_saved(saved).items():
            if self._types.get(path) != type_:
                lost.append(path)
                continue
            try:
                self._instance.write(path, value)
            except SoftctlError:
                lost.append(path)
            else:
                restored += 1
        return WarmStart(restored, tuple(lost))


def _read_saved(saved: bytes) -> Mapping[str, tuple[str, Any]]:
    try:
        document = json.loads(saved)
        types, values = document["types"], document["values"]
        pairs = zip(types.items(), values, strict=True)
        return {path: (type_, value) for (path, type_), value in pairs}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise SoftctlError(f"expected saved RETAIN values, got something else: {error}") from None
