"""For tests of machines in Python: benches in virtual and in real time, and pytest's plugin.

`Bench` and `LiveBench` take the same words as a trial file; a live one's are awaited.
`CheckoutBench` lets a test play the tester of a checkout.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from softctl.testing.bench import Bench
    from softctl.testing.checkouts import CheckoutBench
    from softctl.testing.live_bench import LiveBench
    from softctl.testing.orders import NotMetError

__all__ = ["Bench", "CheckoutBench", "LiveBench", "NotMetError"]


_HOMES = {
    "Bench": "bench",
    "CheckoutBench": "checkouts",
    "LiveBench": "live_bench",
    "NotMetError": "orders",
}


def __getattr__(name: str) -> Any:
    """Import late: pytest imports this package for its plugin in every run, machine or not."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__} has no attribute {name}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
