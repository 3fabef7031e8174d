"""The faults that generated code raises itself."""

from __future__ import annotations


class ScanFault(Exception):  # noqa: N818 - the trade says fault
    """A fault that generated code finds itself; its text is the cause."""


class BudgetFault(Exception):  # noqa: N818 - the trade says fault
    """The scan's budget is spent: nothing in a program catches this, not even ENO."""
