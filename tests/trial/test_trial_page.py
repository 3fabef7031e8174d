"""The record as an HTML page, with its drawings."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from trial_texts import parsed

from softctl.runtime.pdf import find_browser, print_pdf
from softctl.trial.drawings import timeline, trend
from softctl.trial.page import to_html
from softctl.trial.report import Report
from softctl.trial.result import Result, Window
from softctl.trial.run import VirtualRunner

TEXT = """\
trials:
  good:
    text: Nothing <b>runs</b> & nothing moves
    procedure: [{expect: NOT P_101}]
  bad:
    given: {equipment: {T_101: {initial_level: 0.5 m}}}
    procedure:
      - command: START
        text: Press START
      - expect: T_101.level > 1.0 AND P_101
        within: 12 s
      - wait: 5 s
"""


@pytest.fixture(scope="module")
def results() -> list[Result]:
    from trial_texts import demo

    file = parsed(TEXT)
    return [VirtualRunner(demo()).run(file, trial) for trial in file.trials]


@pytest.fixture(scope="module")
def page(results: list[Result]) -> str:
    return to_html(
        Report(
            machine="glasshouse_feed",
            title="Skid <1>",
            clock="virtual time",
            started="2026-11-25T12:00:00+00:00",
            version="0.1.0",
            hashes={"feed.st": "ab" * 32},
            results=results,
            wall_s=0.5,
        )
    )


def test_the_page_stands_alone(page: str) -> None:
    """No script, no request: it can be kept for years and read anywhere."""
    assert "<script" not in page
    assert not re.search(r'(src|href)="(?!#)', page)
    assert "url(" not in page


def test_texts_are_escaped_and_verdicts_there(page: str) -> None:
    """What people wrote is shown as they wrote it; the outcome is said in words and signs."""
    assert "Skid &lt;1&gt;" in page
    assert "Nothing &lt;b&gt;runs&lt;/b&gt; &amp; nothing moves" in page
    for words in ("✗ 1 of 2 trials failed", "✓ passed", "✗ not met", "Press START", "ab" * 32):
        assert words in page
    assert "false until 12." in page
    assert "witnessed by" in page
    assert "never a safety function" in page.replace("Softctl ", "")


def test_drawings_are_svg(page: str) -> None:
    """Every drawing is well-formed, with a label for those who cannot see it."""
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert len(drawings) == 2  # a timeline and a trend: the other trial is over at once
    for drawing in drawings:
        assert ElementTree.fromstring(drawing).get("aria-label")


def test_a_trend_has_a_lane_for_each_value_and_the_moment() -> None:
    """Numbers are lines, BOOLs bars; the moment lies where its time is."""
    samples = tuple((n * 10**9, (n * 0.5, n >= 6)) for n in range(11))
    root = ElementTree.fromstring(trend(Window(("LEVEL", "PUMP"), samples), 5 * 10**9))
    points = [p.split(",") for p in next(root.iter("polyline")).get("points", "").split()]
    heights = [float(y) for _, y in points]
    assert heights == sorted(heights, reverse=True)
    left, right = float(points[0][0]), float(points[-1][0])
    (moment,) = (line for line in root.iter("line") if line.get("class") == "moment")
    assert float(moment.get("x1", "")) == pytest.approx((left + right) / 2, abs=0.2)
    (bar,) = (r for r in root.iter("rect") if r.get("class") == "high")
    begin = float(bar.get("x", ""))
    assert begin == pytest.approx(left + 0.6 * (right - left), abs=0.2)
    assert begin + float(bar.get("width", "")) == pytest.approx(right, abs=0.2)


def test_a_timeline_has_a_bar_for_each_span(results: list[Result]) -> None:
    """As many bars as spans, a line for each deed, a mark for what was not met."""
    bad = results[1]
    root = ElementTree.fromstring(timeline(bad))
    kinds = [element.get("class") for element in root.iter()]
    assert kinds.count("step") == len(bad.spans) >= 3
    assert kinds.count("deed") == len(bad.deeds) == 2
    assert kinds.count("mark") == 1


def test_a_window_goes_on_behind_the_moment(results: list[Result]) -> None:
    """Ten seconds before and three after, where the trial went on."""
    (verdict,) = results[1].verdicts
    assert verdict.window is not None
    times = [time - verdict.at_ns for time, _ in verdict.window.samples]
    assert times[0] == pytest.approx(-10e9, abs=60e6)
    assert times[-1] == pytest.approx(3e9, abs=60e6)


def test_the_page_prints_as_pdf(page: str, tmp_path: Path) -> None:
    """A PDF is made where a browser of the Chromium family is installed."""
    if find_browser() is None:
        pytest.skip("needs an installed Chromium")
    print_pdf(page, tmp_path / "record.pdf")
    assert (tmp_path / "record.pdf").read_bytes()[:5] == b"%PDF-"
