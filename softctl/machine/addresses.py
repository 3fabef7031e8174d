"""Who gets which addresses.

Rules, in this order:
1. What is pinned stays where it is pinned; two pins may not overlap.
2. The rest follows in the order of the file, each at the first address after the one
   before it that is free and a multiple of its alignment. So a line added at the end of
   a file moves nothing.
3. A table ends at address 65 535.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from softctl.errors import Place, Problem

TABLE_SIZE = 65_536


@dataclass(frozen=True, slots=True)
class Request:
    """A wish for `count` addresses, at `pin` or wherever a multiple of `alignment` is free.

    `place` is the pin's position in the file, or that of what wants the addresses.
    """

    name: str
    count: int
    place: Place
    alignment: int = 1
    pin: int | None = None


def allocate(
    requests: Sequence[Request],
    problems: list[Problem],
    *,
    size: int = TABLE_SIZE,
    of: str = "addresses",
    where: str = "the table",
) -> dict[str, int]:
    """The first address of each request by name.

    A request that cannot be met is left out and added to `problems`. `size` addresses
    exist, from 0; `of` and `where` name them in messages.
    """
    granted: dict[str, tuple[int, Request]] = {}
    pinned = [request for request in requests if request.pin is not None]
    for request in pinned:
        problem = _pin_problem(request, granted.values(), size, of, where)
        if problem is None and request.pin is not None:
            granted[request.name] = (request.pin, request)
        elif problem is not None:
            problems.append(problem)
    taken = _occupied((first, request.count) for first, request in granted.values())
    cursor = 0
    for request in requests:
        if request.pin is not None:
            continue
        first = _first_free(cursor, request, taken)
        if first + request.count > size:
            problems.append(_full(request, size, of, where))
            continue
        cursor = first + request.count
        granted[request.name] = (first, request)
    return {name: first for name, (first, _) in granted.items()}


def _pin_problem(
    request: Request,
    granted: Iterable[tuple[int, Request]],
    size: int,
    of: str,
    where: str,
) -> Problem | None:
    first = request.pin or 0
    end = first + request.count
    if end > size:
        message = f"expected {request.name} within {of} 0 to {size - 1} of {where}"
        return Problem(f"{message}, got {_span(first, end)}", request.place)
    for other_first, other in granted:
        if first < other_first + other.count and other_first < end:
            return Problem(
                f"expected {of} of {where} that are free, got {_span(first, end)} for "
                f"{request.name}, which overlaps {other.name} at "
                f"{_span(other_first, other_first + other.count)}",
                request.place,
                hint=f"{other.name} is pinned at {other.place}" if other.place.line else "",
            )
    return None


def _full(request: Request, size: int, of: str, where: str) -> Problem:
    return Problem(
        f"expected at most {size} {of} on {where}, got no room for {request.name}", request.place
    )


def _span(first: int, end: int) -> str:
    return f"{first}" if end == first + 1 else f"{first} to {end - 1}"


def _occupied(spans: Iterable[tuple[int, int]]) -> Callable[[int, int], int | None]:
    """A function that gives the end of a pinned span met by `count` addresses from `first`."""
    ordered = sorted(spans)

    def blocking_end(first: int, count: int) -> int | None:
        for start, length in ordered:
            if first < start + length and start < first + count:
                return start + length
        return None

    return blocking_end


def _first_free(
    cursor: int, request: Request, blocking_end: Callable[[int, int], int | None]
) -> int:
    first = _align(cursor, request.alignment)
    while (end := blocking_end(first, request.count)) is not None:
        first = _align(end, request.alignment)
    return first


def _align(address: int, alignment: int) -> int:
    return -(-address // alignment) * alignment
