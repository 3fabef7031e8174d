"""The simulated machine behind its I/O cards: the plant and the bank of its Modbus server."""

from softctl.field.device import FieldDevice

__all__ = ["FieldDevice"]
