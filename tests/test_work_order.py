"""The order in which files of tests are run."""

from __future__ import annotations

from pathlib import Path

import pytest
import work_order

TESTS = Path(__file__).parent


@pytest.mark.parametrize("name", [*work_order.WAITING, *work_order.DEAR])
def test_what_the_order_names_is_there(name: str) -> None:
    """A file that was renamed would lose its place unnoticed."""
    assert (TESTS / name).exists()


def test_what_waits_comes_first_and_the_dear_before_all_others() -> None:
    """The list's first fitting name counts, so a file may stand before its directory."""
    paths = ["e2e/test_e2e_run.py", "e2e/test_e2e_tls.py", "configs/test_configs_trials.py"]
    paths = [f"tests/{path}" for path in (*paths, "plant/test_plant_pump.py", "wire/x.py")]
    assert sorted(paths, key=work_order.rank) == paths
    assert [work_order.waits(path) for path in paths] == [True, True, False, False, False]
