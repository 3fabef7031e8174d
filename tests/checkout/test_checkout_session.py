"""A session outlives crashes, is gone on with, and what was tested can be tested again."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hmi_program import CHARTS, MACHINE, Hmi, carry_out, new_checkout

from softctl.checkout import Checkout, Verdict, choose_steps, make_plan
from softctl.checkout.session import Session, attempt_line, head_line, parse_session
from softctl.errors import ProblemsError, SoftctlError
from softctl.machine import parse_machine
from softctl.paper import Basis
from softctl.runtime.checkout_file import CheckoutFile

BASIS = Basis("mixer", "", "2026-11-30T03:00:00+00:00", "0.1.0", {"machine.yaml": "ab"})


def kept(path: Path, names: tuple[str, ...] = ()) -> tuple[Checkout, CheckoutFile]:
    """A checkout whose attempts go to a file, of some points."""
    file = CheckoutFile(path)
    checkout = new_checkout(session=file.open(BASIS), keep=file.keep)
    if names:
        steps = choose_steps(make_plan(MACHINE, CHARTS), MACHINE, names=names)
        checkout.steps = steps
    return checkout, file


def opened(path: Path) -> CheckoutFile:
    file = CheckoutFile(path)
    file.open(BASIS)
    return file


def test_a_session_is_gone_on_with(tmp_path: Path) -> None:
    """Verdicts, comments and reviewer are there again, and only open steps are asked for."""
    path = tmp_path / "state" / "checkout.jsonl"
    checkout, file = kept(path, ("LSH_1", "LT_1"))
    checkout.begin("LSH_1:on")
    checkout.answer("LSH_1:on", "on", "blinks ä")
    checkout.decide("LSH_1:off", Verdict.FAIL, "stays lit")
    file.close()
    again, file = kept(path, ("LSH_1", "LT_1"))
    file.close()
    assert again.session.attempts == checkout.session.attempts
    assert again.open_steps()[0].id == "LT_1:0%"
    assert [step.id for step in again.open_steps(failed=True)] == ["LSH_1:off"]
    assert again.session.attempts[0].comment == "blinks ä"
    assert again.session.attempts[0].reviewer == "R. Tester"


def test_a_torn_write_costs_nothing_but_its_own_line(tmp_path: Path) -> None:
    """Cut at every byte of the last line, what was before it is whole, and goes on."""
    path = tmp_path / "checkout.jsonl"
    checkout, file = kept(path)
    for verdict in (Verdict.PASS, Verdict.SKIPPED):
        checkout.decide("LSH_1:on", verdict, "größer")
    file.close()
    first, last = checkout.session.attempts
    short = replace(last, comment="", expected="", said="")
    whole = path.read_bytes()
    end = whole[:-1].rfind(b"\n") + 1
    for cut in range(end, len(whole), 3):
        path.write_bytes(whole[:cut])
        torn = CheckoutFile(path)
        assert torn.open(BASIS).attempts == [first]
        assert torn.was_torn is (cut > end)
        torn.keep(short)
        torn.close()
        assert path.read_bytes() == whole[:end] + attempt_line(short).encode()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "expected a checkout's session, got no line"),
        ("{}\n", "without 'checkout': 1 in its first line .*:1:1"),
        ("not JSON\n", "expected the head of a checkout in JSON.*:1:1"),
        ("[1]\n", "expected the head of a checkout"),
        (head_line(BASIS) + "{}\n", "expected an attempt of a checkout in JSON.*:2:1"),
        (head_line(BASIS) + '{"verdict": "maybe"}\n', "'maybe'.*:2:1"),
        (head_line(BASIS) + '{"colour": "red"}\n', "the key 'colour'.*:2:1"),
    ],
)
def test_a_spoilt_file_is_told_by_its_line(text: str, message: str) -> None:
    """Nothing is dropped in silence but a line that was torn."""
    with pytest.raises(ProblemsError, match=message):
        parse_session(text, "checkout.jsonl")


def test_a_file_that_is_no_session_stays_as_it_is(tmp_path: Path) -> None:
    """Somebody's notes, without a line end, are not taken for a torn session."""
    path = tmp_path / "notes.txt"
    path.write_bytes(b"milk, eggs")
    with pytest.raises(ProblemsError, match="got no line"):
        CheckoutFile(path).open(BASIS)
    assert path.read_bytes() == b"milk, eggs"


def test_another_machines_session_is_refused(tmp_path: Path) -> None:
    """Before anything is asked."""
    path = tmp_path / "checkout.jsonl"
    opened(path).close()
    other = Basis("sorter", "", "", "", {})
    with pytest.raises(SoftctlError, match="expected a checkout of sorter, got one of mixer"):
        CheckoutFile(path).open(other)


def test_one_session_is_not_worked_on_twice(tmp_path: Path) -> None:
    """The second checkout is told, and the first goes on."""
    path = tmp_path / "checkout.jsonl"
    checkout, file = kept(path)
    with pytest.raises(SoftctlError, match="another checkout has open"):
        CheckoutFile(path).open(BASIS)
    checkout.decide("LSH_1:on", Verdict.PASS)
    file.close()
    again, file = kept(path)
    file.close()
    assert len(again.session.attempts) == 1


def test_a_session_is_set_aside_and_not_lost(tmp_path: Path) -> None:
    """A new one begins beside it, and each old one keeps its file."""
    path = tmp_path / "checkout.jsonl"
    for number in (1, 2):
        opened(path).close()
        assert CheckoutFile(path).set_aside() == tmp_path / f"checkout.{number}.jsonl"
    assert CheckoutFile(path).set_aside() is None


def test_a_full_disk_is_told_and_nothing_is_taken_for_kept(tmp_path: Path) -> None:
    """An attempt counts when its line is written, not before."""
    checkout = new_checkout(keep=CheckoutFile(Path("/dev/full")).keep)
    with pytest.raises(AssertionError, match="not open"):
        checkout.decide("LSH_1:on", Verdict.PASS)
    file = CheckoutFile(Path("/dev/full"))
    file._file = Path("/dev/full").open("r+b", buffering=0)  # noqa: SIM115
    with pytest.raises(SoftctlError, match="expected to keep a checkout in /dev/full"):
        file.keep(next(iter(finished().session.attempts)))
    file.close()
    assert checkout.session.attempts == []


def finished() -> Checkout:
    checkout = new_checkout()
    carry_out(checkout, Hmi(checkout))
    return checkout


def test_a_changed_point_is_open_again() -> None:
    """The machine file's next version asks anew for what it changed, and for nothing else."""
    done = finished()
    text = MACHINE_TEXT.replace(
        "range: [0, 2], wired: T_1.level", "range: [0, 3], wired: T_1.level"
    )
    again = new_checkout(parse_machine(text, "machine.yaml"), session=done.session)
    ids = {step.id for step in again.open_steps()}
    assert ids == {f"LT_1:{name}" for name in ("25%", "50%", "75%", "100%", "odd")}
    assert set(done.session.changed(again.steps)) == ids


MACHINE_TEXT = """
name: mixer
programs: [main.st]
hmi: {port: 15021, unit: 1, word_order: CDAB}
cards: {AI_1: {kind: analog input, channels: 8}}
points:
  LT_1: {card: AI_1, unit: m, range: [0, 2], wired: T_1.level}
"""


def test_lines_and_document_are_json() -> None:
    """Whoever shows a checkout gets all of it as data; blind, without what is expected."""
    checkout = finished()
    whole = head_line(BASIS) + "".join(map(attempt_line, checkout.session.attempts))
    assert parse_session(whole, "x").attempts == checkout.session.attempts
    document = json.loads(json.dumps(checkout.document()))
    assert document["progress"] == {
        "total": 131,
        "passed": 131,
        "failed": 0,
        "skipped": 0,
        "open": 0,
    }
    step = next(one for one in document["steps"] if one["id"] == "LT_1:50%")
    assert step["expected"] == "1 m"
    assert step["attempt"]["said"] == "1.00"
    assert step["place"] == "input registers 16 (30017)"
    blind = checkout.document(blind=True)["steps"]
    assert {one["expected"] for one in blind} == {None}


def test_a_step_is_tested_again_and_its_last_verdict_counts() -> None:
    """The first ones stay on record."""
    checkout = new_checkout()
    for text in ("off", "on"):
        checkout.begin("LSH_1:on")
        checkout.answer("LSH_1:on", text)
    step = checkout.find("LSH_1:on")
    assert checkout.verdict(step.id) is Verdict.PASS
    assert checkout.session.tries(step) == 2
    assert [one.verdict.value for one in checkout.session.attempts] == ["fail", "pass"]


def test_what_cannot_be_taken_leaves_no_trace() -> None:
    """An unclear answer, an answer to another step, a fail without a reason."""
    checkout = new_checkout()
    checkout.begin("LT_1:50%")
    with pytest.raises(SoftctlError, match="expected a number such as"):
        checkout.answer("LT_1:50%", "plenty")
    with pytest.raises(SoftctlError, match="expected an answer to LT_1:50%, which is shown"):
        checkout.answer("LSH_1:on", "on")
    with pytest.raises(SoftctlError, match="expected a comment with a fail"):
        checkout.decide("LSH_1:on", Verdict.FAIL, " ")
    with pytest.raises(SoftctlError, match="got LT_1:51%; did you mean LT_1:"):
        checkout.begin("LT_1:51%")
    assert checkout.session.attempts == []
    assert isinstance(checkout.session, Session)
