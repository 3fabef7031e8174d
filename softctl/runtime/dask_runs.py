"""Runs of a campaign on the workers of a Dask scheduler; the only module that imports Dask."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from softctl.errors import SoftctlError

T = TypeVar("T")

_CONNECT_S = 15
_RETRIES = 3
"""How often a task is tried again elsewhere, beside what Dask does when a worker dies."""
_local = threading.local()


def scheduled(
    scheduler: str, make: Callable[..., Any], origin: Sequence[Any], tasks: Sequence[Sequence[int]]
) -> Iterator[Any]:
    """What `make(*origin).run` gives for each number of each task, in the order they end.

    A worker that dies costs the tasks it had: they are done again, and each result counts
    once. The workers need softctl, and the machine's folder under the same path. Raises
    SoftctlError where there is no Dask or nobody at the address.
    """
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise SoftctlError(
            "expected Dask for --scheduler, got none: install softctl with its extra `campaign`"
        ) from None
    try:
        client = Client(scheduler, timeout=_CONNECT_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise SoftctlError(f"expected a Dask scheduler at {scheduler}, got: {error}") from error
    with client:
        futures = client.map(
            _work, tasks, make=make, origin=tuple(origin), pure=False, retries=_RETRIES
        )
        for future in as_completed(futures):  # type: ignore[no-untyped-call]
            yield from future.result()
            future.release()


def _work(
    numbers: Sequence[int], *, make: Callable[..., Any], origin: tuple[Any, ...]
) -> list[Any]:
    """A task on a worker; each of its threads has a campaign of its own."""
    made: dict[tuple[Any, ...], Any] = _local.__dict__.setdefault("made", {})
    if origin not in made:
        made.clear()
        made[origin] = make(*origin)
    return [made[origin].run(number) for number in numbers]
