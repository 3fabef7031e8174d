"""The table of cases, and choosing among them."""

from __future__ import annotations

import re

import pytest

from softctl.conform import CLAUSES, GROUPS, all_cases, choose
from softctl.errors import SoftctlError


def test_there_are_at_least_180_cases_with_ids_of_their_own() -> None:
    """Ids are unique and fit for file names and command lines."""
    ids = [case.id for case in all_cases()]
    assert len(ids) >= 180
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch(r"[a-z]+[0-9]*(-[a-z0-9]+)+", name) for name in ids)


def test_every_case_has_a_group_a_title_and_a_clause() -> None:
    """Clauses begin with the short name of a source that is explained."""
    assert {case.group for case in all_cases()} == set(GROUPS)
    for case in all_cases():
        assert case.title
        assert any(case.clause.startswith(source) for source in CLAUSES), case.id


def test_every_function_of_the_specification_has_cases() -> None:
    """The 19 public functions of Modbus Application Protocol V1.1b3, section 6."""
    functions = {1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43}
    ids = {case.id for case in all_cases()}
    assert {
        number for number in range(256) if f"function-{number:03d}-answered" in ids
    } == functions
    assert all(any(name.startswith(f"fc{number:02d}-") for name in ids) for number in functions)


def test_reserved_functions_are_marked_unpredictable() -> None:
    """Annex A of V1.1b3: 9, 10, 13, 14, 41, 42, 90, 91, 125, 126, 127."""
    marked = {case.id for case in all_cases() if case.is_unpredictable}
    reserved = (9, 10, 13, 14, 41, 42, 90, 91, 125, 126, 127)
    assert marked == {f"function-{number:03d}-refused" for number in reserved}


def test_cases_are_chosen_by_group_and_by_id_in_their_order() -> None:
    """Both together add up; nothing at all means everything."""
    assert choose(has_tls=True) == all_cases()
    assert choose() == tuple(case for case in all_cases() if case.group != "tls")
    chosen = choose(["header"], ["fc03-limit-over"])
    assert {case.group for case in chosen} == {"header", "read"}
    assert chosen[0].id == "fc03-limit-over"
    assert [case for case in all_cases() if case in chosen] == list(chosen)


@pytest.mark.parametrize(
    ("groups", "ids", "message"),
    [
        (["headers"], [], "expected the name of a group, got headers; did you mean header?"),
        ([], ["fc03-limit-ower"], "got fc03-limit-ower; did you mean fc03-limit-over?"),
        ([], ["zzz"], "expected the name of a case, got zzz; --list shows them all"),
    ],
)
def test_an_unknown_name_is_an_error_with_a_hint(groups, ids, message) -> None:
    """The message says what was expected and what may have been meant."""
    with pytest.raises(SoftctlError) as caught:
        choose(groups, ids)
    assert message in str(caught.value)
