"""The faults that generated code raises itself."""

from __future__ import annotations


class ScanFault(Exception):  # noqa: N818 - the trade says fault
    """A fault that generated code finds itself; its text is the cause."""


class BudgetFault(Exception):  # noqa: N818 - the trade says fault
    """The scan's budget is spent: nothing in a program catches this, not even ENO."""


class OvertimeFault(BudgetFault):
    """Somebody outside ended the scan because it took too long; raised without a text."""

    def __str__(self) -> str:
        return "the programs did not end in the time that the watchdog gives a scan"
