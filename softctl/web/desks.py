"""What can be done on the page of a bench, put together."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import NamedTuple

from softctl.web.actions import Act, control_acts
from softctl.web.checkout_desk import CheckoutDesk
from softctl.web.drill_desk import DrillDesk
from softctl.web.hub import Hub
from softctl.web.local import LocalBench
from softctl.web.plant_acts import WireDesk, plant_acts
from softctl.web.remote import RemoteBench
from softctl.web.time_acts import time_acts
from softctl.web.trial_desk import TrialDesk

Work = Callable[[], Awaitable[None]]


class Desks(NamedTuple):
    """The deeds, what has to be done once a second for them, and at the end."""

    acts: Mapping[str, Act]
    each_second: tuple[Work, ...]
    closers: tuple[Work, ...]


def local_desks(bench: LocalBench, hub: Hub) -> Desks:
    """Everything: the controller, and maybe the field, are in this process."""
    acts = control_acts(bench)
    wire = WireDesk(bench, bench.wire())
    trials = TrialDesk(bench, hub.show)
    drills = DrillDesk(bench, bench.control, hub.show)
    checkout = CheckoutDesk(bench, bench.control, hub.show, bench.checkout_path)
    closers: list[Work] = [trials.close, drills.close, checkout.close]
    if bench.plant is not None:
        acts |= plant_acts(bench, bench.plant)
    if bench.time is not None:
        acts |= time_acts(bench.time)
        closers.append(bench.time.close)
    for desk in (wire, trials, drills, checkout):
        acts |= desk.acts()
    return Desks(acts, (wire.tidy, checkout.tidy), tuple(closers))


def remote_desks(bench: RemoteBench, hub: Hub) -> Desks:
    """What a controller elsewhere takes, and trials, which need nobody."""
    trials = TrialDesk(bench, hub.show)

    async def hear() -> None:
        for entry in await bench.news():
            hub.hear(entry)

    return Desks({**control_acts(bench), **trials.acts()}, (hear,), (trials.close,))
