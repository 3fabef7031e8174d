"""Reports: JSON, JUnit XML and HTML of the same run."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
from conform_reference import ReferenceServer
from conform_wires import play_all, site_of

from softctl.conform import CLAUSES, Verdict, choose
from softctl.conform.page import to_html
from softctl.conform.report import Report, site_lines, summary
from softctl.conform.written import to_json, to_junit


class Flawed(ReferenceServer):
    """Refuses nothing with 02 in function 04, and has no function 23."""

    function_23 = None

    def function_4(self, link, pdu):
        self.need_length(pdu, 5)
        self.need_count(4, int.from_bytes(pdu[3:5], "big"))
        return self.words([0xBEEF] * int.from_bytes(pdu[3:5], "big"))


@pytest.fixture(scope="module")
def report() -> Report:
    site = site_of(ReferenceServer())
    results = list(play_all(Flawed, site_of(Flawed())).values())
    return Report(
        '<b>"evil" & co</b>:502',
        "2026-01-02T03:04:05+00:00",
        "1.2.3",
        site,
        results,
        1_234_000_000,
        ["coils 7"],
    )


def test_the_failures_are_the_ones_that_were_there(report) -> None:
    """The fixture is worth something: one function's limits of address are not kept."""
    assert {result.case.id for result in report.failures} >= {"fc04-wrap"}
    assert report.counts()[Verdict.NOT_SUPPORTED] >= 18


def test_json_tells_everything(report) -> None:
    """Counts, site, and for each case the clause, the bytes and the verdict."""
    document = json.loads(to_json(report))
    assert document["counts"] == {verdict.value: report.counts()[verdict] for verdict in Verdict}
    assert sum(document["counts"].values()) == len(document["cases"]) == len(choose())
    assert document["site"]["coils"]["exist"] == "0-1999"
    assert document["not_restored"] == ["coils 7"]
    case = next(case for case in document["cases"] if case["id"] == "fc04-wrap")
    assert case["verdict"] == "fail"
    assert case["clause"].startswith("MAP V1.1b3, 6.4")
    sent, received = case["evidence"][0], case["evidence"][1]
    assert sent["what"] == "sent"
    assert sent["hex"].endswith("01 04 FF FF 00 02")
    assert received["hex"].endswith("01 04 04 BE EF BE EF")


def test_junit_counts_what_ci_counts(report) -> None:
    """A suite for each group; failures and skipped cases as elements and as numbers."""
    root = ElementTree.fromstring(to_junit(report))
    assert root.tag == "testsuites"
    cases = root.findall("testsuite/testcase")
    assert len(cases) == len(choose())
    assert len(root.findall("testsuite/testcase/failure")) == len(report.failures)
    for suite in root.findall("testsuite"):
        assert int(suite.get("tests")) == len(suite.findall("testcase"))
        assert int(suite.get("failures")) == len(suite.findall("testcase/failure"))
        assert int(suite.get("skipped")) == len(suite.findall("testcase/skipped"))
    failure = next(case for case in cases if case.get("name") == "fc04-wrap")
    assert "exception 02" in failure.find("failure").get("message")
    assert "01 04 FF FF 00 02" in failure.find("system-out").text


class _Page(HTMLParser):
    """Checks that tags are closed in order, and collects text and what is fetched."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text = ""
        self.fetched: list[str] = []

    def handle_starttag(self, tag, attrs) -> None:
        if tag != "meta":
            self.open.append(tag)
        names = dict(attrs)
        self.fetched += [names[key] for key in ("src", "srcset") if key in names]
        if tag in ("link", "script", "iframe", "object", "img"):
            self.fetched.append(tag)

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        self.text += data


def test_html_is_whole_escaped_and_fetches_nothing(report) -> None:
    """Every tag is closed, the server's name cannot become markup, nothing is loaded."""
    html = to_html(report)
    page = _Page()
    page.feed(html)
    assert page.open == []
    assert page.fetched == []
    assert '<b>"evil" & co</b>:502' in page.text
    assert "<b>&quot;evil&quot; &amp; co</b>" not in html
    assert "url(" not in html
    assert "@import" not in html


def test_html_doubles_colour_with_words(report) -> None:
    """Every verdict is a word, failures with a mark of their own; all sources are explained."""
    page = _Page()
    page.feed(to_html(report))
    assert "✗ FAIL" in page.text
    assert "✓ pass" in page.text
    assert "– not supported" in page.text
    assert "Not put back: coils 7" in page.text
    assert all(long in page.text for long in CLAUSES.values())
    assert "01 04 FF FF 00 02" in page.text


def test_summaries_say_only_what_there_is(report) -> None:
    """No verdict with a count of zero, and one line for each table."""
    words = summary(report.counts())
    assert "fail" in words
    assert " 0 " not in f" {words}"
    lines = list(site_lines(report.site))
    assert "coils: 0-1999 exist; 0-1999 may be written" in lines
    assert "file 4: records 0-9 may be written" in lines
