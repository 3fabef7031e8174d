"""The demo's scan benchmark runs and measures what it says."""

from __future__ import annotations

import pytest
from demo_scan import measure

pytestmark = pytest.mark.network


def test_the_demo_scans_on_time_often_enough_to_measure() -> None:
    """A short run gives figures for both the demo and the bare loop."""
    figures = measure(1.0)
    assert figures["scans"] + figures["overruns"] >= 15
    assert figures["scan median"] > 0
    assert figures["bare loop late median"] >= 0
