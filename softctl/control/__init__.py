"""The soft controller: input image, programs, output image, and what an HMI sees of it."""

from softctl.control.bindings import check_bindings, check_tasks
from softctl.control.controller import Controller, program_globals, step_names
from softctl.control.forces import Force, ForceChange
from softctl.control.guards import GuardBreach
from softctl.control.releases import Releases
from softctl.control.states import ControlFault, ControlState
from softctl.control.statistics import ScanStatistics
from softctl.control.watch import Happening, Watch, check_watch

__all__ = [
    "ControlFault",
    "ControlState",
    "Controller",
    "Force",
    "ForceChange",
    "GuardBreach",
    "Happening",
    "Releases",
    "ScanStatistics",
    "Watch",
    "check_bindings",
    "check_tasks",
    "check_watch",
    "program_globals",
    "step_names",
]
