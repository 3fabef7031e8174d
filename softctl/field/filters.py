"""The input filters of digital cards, which keep a contact's bounce from the controller."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from softctl.machine import Value


@dataclass(slots=True)
class _Channel:
    """One filtered input: what it shows, and since when the contact says otherwise."""

    index: int
    delay_ns: int
    shown: Value | None = None
    since_ns: int | None = None

    def settle(self, value: Value, now_ns: int) -> Value:
        if self.shown is None:
            self.shown = value
        if value == self.shown:
            self.since_ns = None
            return value
        if self.since_ns is None:
            self.since_ns = now_ns
        if now_ns - self.since_ns >= self.delay_ns:
            self.shown = value
            self.since_ns = None
        return self.shown


class InputFilters:
    """Passes a change of an input on once it has held without a break for its card's time.

    `delays_ns` has a time for each input, 0 for none.
    """

    def __init__(self, delays_ns: Sequence[int]) -> None:
        self._channels = [_Channel(i, delay) for i, delay in enumerate(delays_ns) if delay]

    def __bool__(self) -> bool:
        """True when any input has a filter."""
        return bool(self._channels)

    def settle(self, values: Sequence[Value], now_ns: int) -> list[Value]:
        """What the inputs show at a time, which must not go back."""
        settled = list(values)
        for channel in self._channels:
            settled[channel.index] = channel.settle(settled[channel.index], now_ns)
        return settled
