"""Every program in the README compiles and does what stands beneath it."""

from __future__ import annotations

from pathlib import Path

import pytest
from readme_blocks import Block, blocks, check

ROOT = Path(__file__).parents[2]
DRAFT = Path(__file__).parent / "readme_data" / "language.md"


def _programs(path: Path) -> list[Block]:
    return list(blocks(path.read_text(encoding="utf-8")))


CASES = [
    pytest.param(block, id=f"{path.name}:{block.line}")
    for path in (ROOT / "README.md", DRAFT)
    for block in _programs(path)
]


@pytest.mark.parametrize("block", CASES)
def test_programs_keep_their_promises(block):
    """It compiles with the warnings it names, and its variables have the values it states."""
    check(block)


def test_every_program_promises_something():
    """A block without a promise would prove little; the draft has one for each group."""
    programs = _programs(DRAFT)
    assert len(programs) >= 8
    assert all(block.promises() for block in programs)


GOOD = """PROGRAM P
VAR_INPUT go : BOOL; END_VAR
VAR n : INT; t : TIME; END_VAR
IF go THEN n := n + 1; t := T#1s; END_IF;
END_PROGRAM
//! every 10 ms
//! 0 ms: -> P.n=0
//! 20 ms: P.go=TRUE -> P.n=1, P.t=T#1s
//! 40 ms: -> P.n=3
"""


def test_a_program_that_keeps_its_promises_passes():
    """Scans, stimuli and values are followed."""
    (block,) = blocks(f"text\n```iec-st\n{GOOD}```\nmore\n```yaml\na: 1\n```\n")
    assert block == Block(GOOD, 3)
    check(block)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("P.n=3", "P.n=4"),
        ("P.t=T#1s", "P.t=T#2s"),
        ("//! 0 ms: -> P.n=0", "//! 0 ms: ->"),
        ("//! every 10 ms", "//! every 20 ms"),
        ("//! every 10 ms", "//! warning: never written"),
        ("//! every 10 ms", "//! error: expected"),
        ("//! every 10 ms", "//! fault: expected a divisor"),
        ("//! every 10 ms", "//! sometimes"),
    ],
)
def test_a_broken_promise_is_seen(old, new):
    """A wrong value, time, warning, error or fault, and a line that says nothing, all fail."""
    assert old in GOOD
    with pytest.raises((AssertionError, ValueError, pytest.fail.Exception)):
        check(Block(GOOD.replace(old, new), 1))


def test_a_text_without_programs_has_none():
    """README may have none yet."""
    assert list(blocks("# softctl\n\n    code\n```\nPROGRAM P\n```\n")) == []
