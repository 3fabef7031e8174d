"""Which worker gets which file of tests, and when, so that no processor waits for the others.

Under pytest-xdist with `--dist loadfile` there is one worker more than processors, and the last
one begins with the files that mostly wait: for machines that run in real time, for browsers,
for processes that start. All others begin with the files that keep a processor busy for
longest. Who has none left of its own kind helps the others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from xdist.scheduler import LoadFileScheduling

WAITING = (
    "e2e/test_e2e_containers.py",
    "e2e/test_e2e_run.py",
    "e2e/",
    "page/",
    "runtime/test_runtime_outside_trials.py",
    "runtime/test_runtime_live_trials.py",
    "runtime/test_runtime_wire_faults.py",
    "runtime/test_runtime_units.py",
    "runtime/test_runtime_watchdog.py",
    "web/",
)
"""Files, or directories of them, that mostly wait; longest first."""

DEAR = (
    "configs/test_configs_trials.py",
    "configs/",
    "plant/test_plant_published_network.py",
    "trial/",
    "conform/test_conform_tls.py",
    "logic/test_logic_random.py",
    "benchmarks/",
    "plant/",
)
"""Files, or directories of them, that keep a processor busy for longest, longest first."""


def rank(path: str) -> int:
    """The place of a file in the order: those that wait, the dear ones, all others."""
    within = path.removeprefix("tests/")
    for number, start in enumerate((*WAITING, *DEAR)):
        if within.startswith(start):
            return number
    return len(WAITING) + len(DEAR)


def waits(path: str) -> bool:
    """Whether a file's tests mostly wait."""
    return rank(path) < len(WAITING)


def put_in_order(items: list[pytest.Item]) -> None:
    """Sort tests by the rank of their file, each file as it is."""
    items.sort(key=lambda item: rank(item.nodeid.partition("::")[0]))


def make_scheduler(config: pytest.Config, log: object) -> LoadFileScheduling:
    """A scheduler that gives the last worker what waits, and the others what computes."""
    from xdist.scheduler import LoadFileScheduling
    from xdist.workermanage import WorkerController

    class TwoKinds(LoadFileScheduling):
        def _assign_work_unit(self, node: WorkerController) -> None:
            likes_to_wait = node is self.nodes[-1]
            liked = (path for path in self.workqueue if waits(path) is likes_to_wait)
            path = next(liked, None)
            if path is not None:
                self.workqueue.move_to_end(path, last=False)
            super()._assign_work_unit(node)

    # Else those with few tests come last, and among them are the longest.
    config.option.loadscopereorder = False
    return TwoKinds(config, log)
