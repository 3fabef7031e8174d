"""Copies between points' values and the memory of a bank, built once and called every scan."""

from __future__ import annotations

from softctl.image.checks import WriteCheck
from softctl.image.copies import Reader, Writer, point_reader, point_setter, point_writer
from softctl.image.sides import Side, extents, field_banks

__all__ = [
    "Reader",
    "Side",
    "WriteCheck",
    "Writer",
    "extents",
    "field_banks",
    "point_reader",
    "point_setter",
    "point_writer",
]
