"""Times on the command line."""

from __future__ import annotations

from softctl.errors import SoftctlError
from softctl.values.units import parse_duration


def read_duration(text: str) -> int:
    """Nanoseconds of a time such as '10 min'; raises SoftctlError."""
    try:
        return parse_duration(text)
    except ValueError as error:
        raise SoftctlError(str(error)) from None
