"""The demo's machine file without its alarms and guards, to be read or broken on purpose.

They look at points, so a point that is changed on purpose could make errors of theirs.
"""

from __future__ import annotations

from pathlib import Path

FILE = "configs/glasshouse_feed/machine.yaml"
WHOLE = (Path(__file__).parents[2] / FILE).read_text(encoding="utf-8")
_BEFORE, _, _WATCHED = WHOLE.partition("\nalarms:\n")
DEMO = _BEFORE + "\n" + _WATCHED[_WATCHED.index("\n# A broken wire reads as") :]


def edited(*edits: tuple[str, str]) -> str:
    """The demo with each first text, which stands there once, replaced by the second."""
    text = DEMO
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands in the demo {text.count(old)} times"
        text = text.replace(old, new)
    return text


def position(text: str, at: str) -> tuple[int, int]:
    """Line and column, from 1, of `at`, or of what follows a `|` inside it."""
    bare = at.replace("|", "")
    assert text.count(bare) == 1, f"{bare!r} stands in the text {text.count(bare)} times"
    index = text.index(bare) + max(at.find("|"), 0)
    line_start = text.rfind("\n", 0, index) + 1
    return text.count("\n", 0, index) + 1, index - line_start + 1
