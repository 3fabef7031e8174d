"""Whether a running controller does what it is there for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from softctl.control import Controller, ControlState

LATE_SCANS = 10


@dataclass(frozen=True, slots=True)
class Health:
    """A verdict with what it rests on; `body` is ready for JSON."""

    is_good: bool
    body: dict[str, Any]


def health(controller: Controller, scan_age_ns: int | None) -> Health:
    """Good: the programs run, the field link is healthy, and scans come.

    `scan_age_ns` is the wall time since the last scan ended, None before the first. Scans
    come when it is below ten periods, or the fail-safe time if that is longer.
    """
    machine, state = controller.machine, controller.state
    limit_ns = max(LATE_SCANS * machine.scan_ns, machine.fail_safe_after_ns)
    comes = scan_age_ns is not None and scan_age_ns < limit_ns
    is_good = state is ControlState.RUNNING and controller.link_healthy and comes
    body = {
        "healthy": is_good,
        "machine": machine.name,
        "state": state.name.lower(),
        "fault": None if controller.fault is None else str(controller.fault),
        "field_link": controller.link_healthy,
        "last_scan_age_s": None if scan_age_ns is None else scan_age_ns / 1e9,
        "last_scan_age_limit_s": limit_ns / 1e9,
        "forces": len(controller.forces.held),
        "journal_fault": controller.journal_fault,
    }
    return Health(is_good, body)
