"""Whether the programs of a controller run, and why they do not."""

from __future__ import annotations

from enum import IntEnum

from softctl.errors import SoftctlError


class ControlState(IntEnum):
    """What the system point CONTROL_STATE shows; outputs are at fail-safe unless RUNNING."""

    STOPPED = 0
    RUNNING = 1
    FAULTED = 2


class ControlFault(SoftctlError):  # noqa: N818 - the trade says fault
    """The controller stopped its programs for another reason than their own failure."""
