"""Wire faults as people declare them: a file parsed into the rules of each server."""

from __future__ import annotations

from softctl.wire.parse import WireFaults, parse_wire_faults

__all__ = ["WireFaults", "parse_wire_faults"]
