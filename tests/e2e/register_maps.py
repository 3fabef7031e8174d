"""The HMI map as a client's author would get it: from `softctl points DIR --as json`."""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from typing import Any

from programs import ended
from stacks import Stack


@dataclass(frozen=True)
class HmiView:
    """Reads and writes named points of the HMI map through one client stack."""

    rows: dict[str, dict[str, Any]]
    stack: Stack

    def bits(self, *names: str) -> dict[str, bool]:
        """Several discrete inputs, from one request, so that they are of one scan."""
        addresses = [self.rows[name]["address"] for name in names]
        first, last = min(addresses), max(addresses)
        found = self.stack.discrete_inputs(first, last - first + 1)
        return {name: found[self.rows[name]["address"] - first] for name in names}

    def words(self, name: str) -> list[int]:
        """The input registers of one point."""
        row = self.rows[name]
        return self.stack.input_registers(row["address"], row["count"])

    def real(self, name: str) -> float:
        """A REAL in word order CDAB, the demo's: the low word comes first."""
        low, high = self.words(name)
        return float(struct.unpack(">f", struct.pack(">HH", high, low))[0])

    def command(self, name: str) -> None:
        """Set a command coil."""
        self.stack.write_coil(self.rows[name]["address"], True)

    def set_seconds(self, name: str, seconds: float) -> None:
        """Write a TIME set point: 32 bits of milliseconds, low word first."""
        milliseconds = round(seconds * 1000)
        self.stack.write_registers(
            self.rows[name]["address"], [milliseconds & 0xFFFF, milliseconds >> 16]
        )


def hmi_rows(*arguments: str) -> dict[str, dict[str, Any]]:
    """The rows of the HMI server by point name."""
    output = ended("points", *arguments, "--as", "json").stdout
    return {row["name"]: row for row in json.loads(output) if row["server"] == "hmi"}
