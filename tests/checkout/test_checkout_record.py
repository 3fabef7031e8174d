"""A checkout's record: all of it, in each form, with what people wrote as they wrote it."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest
from hmi_program import Hmi, carry_out, new_checkout

from softctl.checkout import Checkout, Session, Verdict
from softctl.checkout.record import progress_line, to_csv, to_html, to_json
from softctl.paper import Basis

BASIS = Basis(
    "mixer", "Vessel <7>", "2026-11-30T04:00:00+00:00", "0.1.0", {"a": "b", "main.st": "cd" * 32}
)


@pytest.fixture(scope="module")
def checkout() -> Checkout:
    """With a wrong scaling, a held command, a skipped step, one left open, one tested again."""
    checkout = new_checkout()
    program = Hmi(checkout)
    program.tags["TT_1"].raw = (0, 4_095)
    program.tags["HAND"].releases = False
    carry_out(checkout, program)
    checkout.decide("LSH_1:on", Verdict.SKIPPED, "lamp <missing>")
    checkout.begin("LT_1:50%")
    checkout.reviewer = "S. Second"
    checkout.answer("LT_1:50%", "1,0", "after a new lamp")
    left = checkout.find("LABEL:odd")
    rest = [one for one in checkout.session.attempts if one.step != left.id]
    checkout.session = Session(checkout.session.basis, rest)
    return checkout


@pytest.fixture(scope="module")
def page(checkout: Checkout) -> str:
    return to_html(checkout, BASIS)


def test_the_page_stands_alone_and_escapes(page: str) -> None:
    """No script, no request; what people wrote is shown as they wrote it."""
    assert "<script" not in page
    assert not re.search(r'(src|href)="(?!#)', page)
    assert "Checkout record: Vessel &lt;7&gt;" in page
    assert "lamp &lt;missing&gt;" in page
    assert "prefers-color-scheme: dark" in page


def test_the_page_has_all_that_somebody_signs_for(page: str) -> None:
    """Counts, reasons, evidence, both reviewers, files then and now, places to sign."""
    for words in (
        "✗ 123 of 131 steps passed, 6 failed, 1 skipped, 1 open",
        "scaled as if 4095 counts were the whole range",
        "it was not released: FALSE never came",
        "What was tested again",
        "after a new lamp",
        "S. Second",
        "R. Tester, S. Second",
        "cd" * 32,
        "Changed since it was begun: main.st",
        "witnessed by",
        "never a safety function",
    ):
        assert words in page
    assert re.search(r'<span class="code">00 [0-9a-f]{2} 00 00 00 06 01 05 00 01 ff 00', page)


def test_a_row_of_the_csv_is_a_step(checkout: Checkout) -> None:
    """With all columns, also for what is open."""
    rows = {row["step"]: row for row in csv.DictReader(io.StringIO(to_csv(checkout)))}
    assert list(rows) == [step.id for step in checkout.steps]
    again = rows["LT_1:50%"]
    assert (again["verdict"], again["tries"], again["said"]) == ("pass", "2", "1,0")
    assert (again["seen"], again["expected"], again["card"]) == ("1 m", "1 m", "AI_1")
    assert rows["LABEL:odd"]["verdict"] == "open"
    assert rows["HAND:press"]["frames"].endswith("01 05 00 01 ff 00")
    assert rows["TT_1:25%"]["hint"].startswith("it is scaled as if")


def test_the_json_has_every_attempt(checkout: Checkout) -> None:
    """Those that no longer count too."""
    found = json.loads(to_json(checkout, BASIS))
    assert len(found["attempts"]) == 132
    assert found["passed"] is False
    assert found["sha256"]["main.st"] == "cd" * 32
    assert found["begun_with_sha256"] == {"a": "b"}
    assert found["progress"]["failed"] == 6


def test_progress_says_only_what_there_is() -> None:
    """Nothing failed: no word of it."""
    checkout = new_checkout()
    assert progress_line(checkout.progress) == "0 of 131 steps passed, 131 open"
    carry_out(checkout, Hmi(checkout))
    assert progress_line(checkout.progress) == "131 of 131 steps passed"
    page = to_html(checkout, BASIS)
    assert "What failed" not in page
    assert "What was tested again" not in page
