"""Copies between points' values and the memory of a bank, built once and called every scan."""

from softctl.image.copies import Side, extents, point_reader, point_writer

__all__ = ["Side", "extents", "point_reader", "point_writer"]
