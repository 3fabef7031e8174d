"""The records of audits and drills as pages and data."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest

from softctl.audit import AuditReport, DrillResult, Finding, PointUse, Severity
from softctl.audit.drill_record import NOT_ASKED, Answer, DrillRecord
from softctl.audit.drill_record import to_html as drill_page
from softctl.audit.drill_record import to_json as drill_json
from softctl.audit.drills import Check, Verdict
from softctl.audit.record import findings_line, to_csv, to_html, to_json
from softctl.paper import Basis

BASIS = Basis("mixer", "Vessel <7>", "2026-11-30T04:00:00+00:00", "0.1.0", {"main.st": "cd" * 32})


def use(point: str, verdict: str, reads: int) -> PointUse:
    times = (0.5, 1.0, 1.5) if reads else (None, None, None)
    block = "input registers 0 (30001) and 9 more" if reads else ""
    function = "04" if reads else ""
    return PointUse(point, "read", "192.0.2.7", 1, reads, 0, function, block, *times, 2.0, verdict)


REPORT = AuditReport(
    machine="mixer",
    seconds=600.0,
    clients=("192.0.2.7:5000",),
    requests=1_234,
    uses=(use("LT_1", "used", 9), use("TT_1", "too slow", 3), use("PT_1", "never used", 0)),
    findings=(
        Finding(
            "off by one",
            Severity.ERROR,
            "192.0.2.7:5000",
            "input registers 19",
            "asks for <nothing>",
            "count from 0",
            9.32,
            "00 01 00 00 00 06 01 04 00 13 00 02",
            3,
            ("unit 2",),
        ),
        Finding("many small reads", Severity.ADVICE, "x", "9 reads", "polls", "join", 0.0, ""),
    ),
    dropped=2,
    covered=2,
    total=3,
    devices=("unit 1", "unit 2"),
    silent=("unit 1",),
)


def test_an_audits_page_has_findings_evidence_and_coverage() -> None:
    """It stands alone, and what clients sent is escaped."""
    page = to_html(REPORT, BASIS)
    assert not re.search(r'<script|(src|href)="(?!#)', page)
    for words in (
        "Audit record: Vessel &lt;7&gt;",
        "✗ 1 error, 1 piece of advice; 2 of 3 points used",
        "600 s, 2 devices, 1 connection, 1234 requests",
        "asks for &lt;nothing&gt;",
        "00 01 00 00 00 06 01 04 00 13 00 02",
        "1 of 2 devices: unit 2",
        "2 of 3 points (67 %)",
        "No screen shows: PT_1.",
        "Nobody asked unit 1.",
        "2 events were too many to keep",
        "04, input registers 0 (30001) and 9 more",
        "1.5 s",
        "cd" * 32,
        "accepted by",
    ):
        assert words in page
    assert page.count('class="broken"') == 2  # the error, and what is read too slowly


def test_an_audit_without_anybody_says_so() -> None:
    """And a clean one has no table of findings."""
    empty = AuditReport("mixer", 1.0, (), 0, (use("LT_1", "never used", 0),), (), 0, 0, 1)
    assert findings_line(empty) == "Nobody asked for anything"
    page = to_html(empty, BASIS)
    assert "✗ Nobody asked for anything" in page
    assert "<h2>Findings" not in page
    assert "No screen shows" not in page


def test_an_audits_data_say_what_they_rest_on() -> None:
    """JSON has the hashes, CSV a row for each point."""
    found = json.loads(to_json(REPORT, BASIS))
    assert found["sha256"] == {"main.st": "cd" * 32}
    assert found["findings"][0]["severity"] == "error"
    assert found["clean"] is False
    rows = list(csv.DictReader(io.StringIO(to_csv(REPORT))))
    assert [row["verdict"] for row in rows] == ["used", "too slow", "never used"]


@pytest.fixture
def record() -> DrillRecord:
    good = Check("polls again", Verdict.PASS, "after 1.2 s")
    bad = Check("does not flood", Verdict.FAIL, "400 requests <a second>")
    return DrillRecord(
        BASIS,
        [DrillResult("cut", "192.0.2.7", (good,)), DrillResult("delay", "192.0.2.7", (good, bad))],
        [
            Answer("cut", "Did an alarm come?", "no"),
            Answer("cut", "Did the screen mark the values?", "only the <trend>"),
            Answer("delay", "Did an alarm come?", NOT_ASKED),
        ],
    )


def test_drills_have_checks_and_what_a_person_said(record: DrillRecord) -> None:
    """Each question stands with its answer beside the drill that it is about."""
    page = drill_page(record)
    for words in (
        "✗ 1 of 2 drills passed",
        "connections are closed and none is taken",
        "400 requests &lt;a second&gt;",
        '<td>Did an alarm come?</td><td><span class="bad">no</span></td>',
        "only the &lt;trend&gt;",
        '<span class="open">not asked</span>',
        "cd" * 32,
        "witnessed by",
    ):
        assert words in page


def test_drills_as_json_have_the_answers(record: DrillRecord) -> None:
    """By question; one that was not asked says so."""
    found = json.loads(drill_json(record))
    assert found["passed"] is False
    assert found["drills"][0]["answers"]["Did an alarm come?"] == "no"
    assert found["drills"][1]["answers"] == {"Did an alarm come?": "not asked"}
    assert found["sha256"] == {"main.st": "cd" * 32}


def test_no_drill_is_no_pass() -> None:
    """An empty run does not look like a good one."""
    assert not DrillRecord(BASIS, [], []).is_clean
