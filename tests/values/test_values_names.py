"""Names that programs can use."""

from __future__ import annotations

import pytest

from softctl.values.names import explain_bad_name, suggest


@pytest.mark.parametrize("name", ["LSL_101", "x", "_a", "Stir2", "XV_101"])
def test_usable_names(name: str) -> None:
    """Letters, digits and single underscores make a name (IEC 61131-3, third edition, 6.1.2)."""
    assert explain_bad_name(name) == ""


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("101_LSL", "letters, digits and underscores"),
        ("LSL-101", "letters, digits and underscores"),
        ("", "letters, digits and underscores"),
        ("Füllen", "letters, digits and underscores"),
        ("A__B", "without doubled or trailing underscores"),
        ("A_", "without doubled or trailing underscores"),
        ("while", "that IEC 61131-3 does not reserve"),
        ("TON", "that IEC 61131-3 does not reserve"),
    ],
)
def test_unusable_names(name: str, words: str) -> None:
    """What is no identifier, or is reserved, is refused with the reason."""
    assert words in explain_bad_name(name)
    assert f"got '{name}'" in explain_bad_name(name)


def test_suggestions() -> None:
    """A near miss is suggested whatever its case, anything else is not."""
    assert suggest("lsh_1O1", ["LSL_101", "LSH_101"]) == "did you mean LSH_101?"
    assert suggest("pressure", ["LSL_101"]) == ""
