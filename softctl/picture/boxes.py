"""Boxes on a drawing, and how much room a text needs. All figures are in px."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

# Widths as shares of the font's size, by the wide sans-serif faces that browsers fall back on
# (DejaVu Sans, Verdana); narrower ones need less. Values measured once, rounded up.
_NARROW = dict.fromkeys("iIjl|.,:;'!()[] ft-r/", 0.42)
_WIDE = dict.fromkeys("mwMW@%—", 1.0)
_UPPER = 0.76
_OTHER = 0.66

TEXT = 12.0
SMALL = 10.5
LINE = 15.0


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle; y grows downwards."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.x + self.w

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.y + self.h

    def moved(self, dx: float, dy: float) -> Box:
        """The same box elsewhere."""
        return Box(self.x + dx, self.y + dy, self.w, self.h)

    def overlaps(self, other: Box, gap: float = 0.0) -> bool:
        """Whether the two share an area, or come nearer than `gap`."""
        return (
            self.x < other.right + gap
            and other.x < self.right + gap
            and self.y < other.bottom + gap
            and other.y < self.bottom + gap
        )

    def holds(self, other: Box) -> bool:
        """Whether another box lies inside."""
        return (
            self.x <= other.x
            and self.y <= other.y
            and other.right <= self.right
            and other.bottom <= self.bottom
        )

    def fields(self) -> dict[str, float]:
        """The box as it goes into JSON."""
        return {"x": tidy(self.x), "y": tidy(self.y), "w": tidy(self.w), "h": tidy(self.h)}


def around(boxes: Iterable[Box]) -> Box:
    """The smallest box that holds all of some boxes."""
    found = list(boxes)
    x, y = min(box.x for box in found), min(box.y for box in found)
    right, bottom = max(box.right for box in found), max(box.bottom for box in found)
    return Box(x, y, right - x, bottom - y)


def text_width(text: str, size: float = TEXT) -> float:
    """A width that a text does not exceed in any usual sans-serif face."""
    return size * sum(map(_share, text))


def shortened(text: str, width: float, size: float = TEXT) -> str:
    """The text, cut with an ellipsis where it would be wider than `width`."""
    if text_width(text, size) <= width:
        return text
    while text and text_width(text + "…", size) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def _share(character: str) -> float:
    if character in _NARROW:
        return _NARROW[character]
    if character in _WIDE:
        return _WIDE[character]
    return _UPPER if character.isupper() else _OTHER


def tidy(number: float) -> float:
    """A coordinate without digits that nobody sees."""
    return round(number, 1)


def kept_within(
    places: Sequence[float], gaps: Sequence[float], low: float, high: float
) -> list[float]:
    """Places with their gaps moved as little as needed between two ends that have room for all."""
    found = list(places)
    for i in range(len(found) - 1, -1, -1):
        most = high if i == len(found) - 1 else found[i + 1] - gaps[i]
        found[i] = min(found[i], most)
    for i in range(len(found)):
        least = low if i == 0 else found[i - 1] + gaps[i - 1]
        found[i] = max(found[i], least)
    return found


def spread(wanted: Sequence[float], gaps: Sequence[float]) -> list[float]:
    """Places near the wanted ones, in the same order, at least `gaps[i]` from i to i + 1.

    Least squares by pooling neighbours that violate their gap (isotonic regression).
    """
    offsets = [0.0]
    for gap in gaps[: max(len(wanted) - 1, 0)]:
        offsets.append(offsets[-1] + gap)
    pools: list[tuple[float, int]] = []
    for place, offset in zip(wanted, offsets, strict=False):
        total, count = place - offset, 1
        while pools and pools[-1][0] / pools[-1][1] >= total / count:
            before, number = pools.pop()
            total, count = total + before, count + number
        pools.append((total, count))
    means = [total / count for total, count in pools for _ in range(count)]
    return [mean + offset for mean, offset in zip(means, offsets, strict=False)]
