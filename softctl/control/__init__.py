"""The soft controller: input image, programs, output image, and what an HMI sees of it."""

from softctl.control.bindings import check_bindings
from softctl.control.controller import Controller, program_globals, step_names
from softctl.control.statistics import ScanStatistics

__all__ = ["Controller", "ScanStatistics", "check_bindings", "program_globals", "step_names"]
