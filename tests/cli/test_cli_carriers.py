"""Belts and bins as lines of a terminal."""

from __future__ import annotations

from rich.console import Console

from softctl.cli.carriers import draw_carriers
from softctl.plant import CarrierRow, Part


def part(number: int, place_m: float, *, is_defective: bool = False) -> Part:
    return Part(number, 1, is_defective, 9.0, 0.5, 0.3, "B_1", place_m, 0.0)


def lines(*rows: CarrierRow) -> list[str]:
    console = Console(width=100)
    with console.capture() as capture:
        console.print(draw_carriers(rows))
    return [line.rstrip() for line in capture.get().splitlines()]


def test_parts_on_a_belt() -> None:
    """A belt is a strip from its infeed on; a defective part has another texture."""
    belt = CarrierRow("B_1", 2, 3.0, (part(1, 2.0, is_defective=True), part(2, 0.75)))
    strip = "·" * 10 + "█" * 10 + "·" * 15 + "▒" * 10 + "·" * 15
    assert lines(belt) == [f"B_1  {strip}  2 parts"]


def test_parts_that_overhang_the_ends() -> None:
    """A part is drawn as far as it is on the belt."""
    belt = CarrierRow("B_1", 2, 3.0, (part(1, 2.99), part(2, 0.0)))
    assert lines(belt)[0].split()[1] == "█" * 5 + "·" * 50 + "█" * 5


def test_bins_have_a_count() -> None:
    """What has no way has its count alone, in a column with the others'."""
    belt, bin_ = CarrierRow("B_1", 0, 3.0, ()), CarrierRow("K_1", 1, 0.0, ())
    first, second = lines(belt, bin_)
    assert first.endswith("0 parts")
    assert second.startswith("K_1")
    assert second.index("1 part") == first.index("0 parts")
