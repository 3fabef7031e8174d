"""The same verdicts on both clocks: a few trials of each folder; the whole is a script."""

from __future__ import annotations

import pytest
from live_comparison import compare

from softctl.runtime.folder import configs_folder

SOME = {
    "crate_sorter": ["m_301_no_feedback"],
    "glasshouse_feed": ["stop_while_feeding", "upper_switch_wire_broken"],
    "sump_station": ["level_stuck"],
    "wash_skid": ["low_float_drift"],
}


@pytest.mark.network
@pytest.mark.parametrize("name", SOME)
def test_some_trials_have_the_same_verdicts_live(name: str) -> None:
    """As fast as the computer does it: the clock of a live trial waits for the scan."""
    for pair in compare(configs_folder() / name, SOME[name], speed=200):
        assert pair.is_same, (pair.name, list(pair.differences()))
