"""The report: whole in one file, escaped, opened in a browser without an error or a request, and printed."""

from __future__ import annotations

import re
import shutil
import socketserver
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta

import pytest

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.jobs.report import gather
from torsionbeat.reports.report import report_html, write_pdf, write_report
from torsionbeat.reports.workshop import Workshop

BEGIN = datetime(2026, 2, 3, 20, tzinfo=UTC)
MADE = datetime(2026, 3, 1, 10, tzinfo=UTC)


def test_it_tells_the_clock_the_work_the_change_the_figures_and_the_cautions(html, parsed, words_of):
    page = parsed(html)
    text = words_of(html)
    for part in (
        "Harbour lamp Report of 2026-03-01",
        "The clock keeps time to within 55 seconds in a week.",
        "By its hands, seen against a time signal over 7 days, it gains about 19 seconds in a week",
        "the clock gains 3 s a day, between losing 2 and gaining 8",
        "Nominal period 60 s",
        "New suspension strip, 0.10 mm",
        "Changed: rate (+ gains) by +932 s/day",
        "arc (amplitude end to end), deg",
        "No fault stands out from the figures.",
        "no sign of a fault stands out",
        "Timebase: unknown.",
        "Arc and offset rest on a lift of 20 deg, taken as right to within 0.5 deg.",
        "Two people talked near the clock.",
        "2.7 ± 0.8",
        "Knock arc",
        "never heat, puncture or solder near it",
        "Where local codes or a licensed trade apply, they come first.",
    ):
        assert part in text, part
    headings = [tag for tag, _ in page.tags if tag in ("h1", "h2")]
    assert headings == ["h1"] + ["h2"] * 3 + ["h1"] + ["h2"] * 9


def test_every_figure_is_inside_and_has_words_for_those_who_do_not_see_it(html, parsed):
    page = parsed(html)
    labels = [attrs["aria-label"] for _, attrs in page.tags if attrs.get("role") == "img"]
    assert len(labels) == 7  # owner's, comparison, evidence, beat error, stability, history, decay
    assert all("Harbour lamp" in label for label in labels)
    assert [tag for tag, _ in page.tags].count("svg") == 7


def test_ids_are_each_given_once_and_every_reference_finds_its_own(html):
    ids = re.findall(r'\bid="([^"]+)"', html)
    inside = [one for one in ids if not one.startswith("f")]
    assert len(inside) == len(set(inside))
    refers = set(re.findall(r'(?:href="#|url\(#)([^")]+)', html))
    assert refers
    assert refers <= set(ids)


def test_nothing_is_asked_of_the_network(html, parsed):
    for _, attrs in parsed(html).tags:
        for name in ("src", "href", "xlink:href", "action", "srcset"):
            if name in attrs:
                assert attrs[name].startswith(("#", "data:")), attrs
    assert "@import" not in html
    assert "default-src 'none'" in html


def test_texts_from_the_log_are_escaped(log, parsed, words_of, nasty):
    html = report_html(gather(log, "Tower & <b>bell</b>"), MADE)
    page = parsed(html)
    tags = {tag for tag, _ in page.tags}
    assert not tags & {"script", "img", "b", "iframe"}
    assert nasty in words_of(html)
    assert "Tower & <b>bell</b>" in words_of(html)
    assert "{{ 7 * 7 }}" in words_of(html)


def test_the_same_story_gives_the_same_report(log, html):
    assert report_html(gather(log, "Harbour lamp", same_recorder=True), MADE) == html


def test_a_clock_without_anything_still_has_a_report(log, words_of):
    text = words_of(report_html(gather(log, "Glass shelf"), MADE))
    for part in (
        "No reading of this clock is in the log yet.",
        "No work on this clock is in the log.",
        "No work is in the log, so there is no before and after.",
        "Nothing was measured yet.",
    ):
        assert part in text


def test_a_comparison_that_cannot_be_made_says_why(log, night, document):
    log.add_clock("Late log")
    log.add_work("Late log", "cleaning", "Train cleaned", done_at=BEGIN)
    log.add_reading("Late log", document(night), taken_at=BEGIN + timedelta(days=1))
    story = gather(log, "Late log")
    assert story.comparison is None
    assert story.no_comparison == "No reading was taken before the first work, so nothing can be compared."


def test_other_days_can_be_compared(log):
    def day(n):
        start = BEGIN + timedelta(days=n, hours=-2)
        return start, start + timedelta(days=1)

    story = gather(log, "Harbour lamp", before=day(5), after=day(9))
    assert story.comparison.row("rate (+ gains)").before.value == 60
    assert story.comparison.row("rate (+ gains)").after.value == pytest.approx(2.4)


def test_findings_stand_with_their_evidence_and_caution(log, night, document, words_of):
    log.add_clock("Low arc", arc_low_deg=470)
    low = document(night, clock={"nominal_period_s": 60.0, "lift_deg": 20.0, "arc_low_deg": 470})
    log.add_reading("Low arc", low, taken_at=BEGIN)
    text = words_of(report_html(gather(log, "Low arc"), MADE))
    assert "The arc is below the clock's healthy range." in text
    assert "the healthy arc begins at 470 deg" in text
    assert "Look first at: Power first" in text


def test_it_is_written_whole_or_not_at_all(html, tmp_path):
    place = tmp_path / "report.html"
    write_report(html, place)
    assert place.read_text(encoding="utf-8") == html
    assert [one.name for one in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(InputError, match="there is no folder"):
        write_report(html, tmp_path / "none" / "report.html")
    (tmp_path / "taken").mkdir()
    with pytest.raises(DeviceError, match=r"was not written to .*taken"):
        write_report(html, tmp_path / "taken")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["report.html", "taken"]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/dev/full is Linux's")
def test_a_full_disk_is_told(html, tmp_path, monkeypatch):
    from pathlib import Path

    def full(self, content):
        with open("/dev/full", "wb") as disk:
            disk.write(content)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(DeviceError, match="No space left on device; free the disk"):
        write_report(html, tmp_path / "report.html")


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")

QUIET = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--disable-default-apps",
]


class Ear(socketserver.ThreadingTCPServer):
    """A proxy that notes what it is asked and answers nothing; who connects and leaves without a word asked nothing."""

    allow_reuse_address = True

    def __init__(self):
        self.asked = []
        super().__init__(("127.0.0.1", 0), None)

    def finish_request(self, request, client_address):
        request.settimeout(1)
        if said := request.recv(200):
            self.asked.append(said.split(b"\r\n")[0].decode("latin-1"))


def browse(tmp_path, *arguments):
    """Run the browser with an empty profile, every request sent to an ear; give page, errors, requests."""
    with Ear() as ear:
        threading.Thread(target=ear.serve_forever, daemon=True).start()
        run = subprocess.run(
            [
                CHROMIUM,
                *QUIET,
                f"--user-data-dir={tmp_path / 'profile'}",
                f"--proxy-server=127.0.0.1:{ear.server_address[1]}",
                "--proxy-bypass-list=<-loopback>",
                "--enable-logging=stderr",
                "--log-level=0",
                *arguments,
            ],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        ear.shutdown()
    console = [line for line in run.stderr.splitlines() if "CONSOLE" in line]
    return run.stdout, console, ear.asked


def own(asked):
    """Requests that the page could have made: not those that the browser makes for itself on every start."""
    vendors = ("google", "gstatic", "chromium", "chrome")
    return [one for one in asked if not any(vendor in one for vendor in vendors)]


needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no chromium here: Debian's package chromium")


@needs_chromium
@pytest.mark.parametrize("name", ["Harbour lamp", "Tower & <b>bell</b>"])
def test_a_browser_opens_it_without_an_error_or_a_request(log, tmp_path, name):
    write_report(report_html(gather(log, name), MADE), tmp_path / "report.html")
    dom, console, asked = browse(tmp_path, "--dump-dom", (tmp_path / "report.html").as_uri())
    assert dom.count("<svg") == 7
    assert "Where local codes" in dom
    assert console == []
    assert own(asked) == []


@needs_chromium
def test_the_browser_test_notices_errors_and_requests(tmp_path):
    page = "<script>console.error('seen')</script><img src='http://bench.invalid/x.png'>"
    (tmp_path / "bad.html").write_text(page)
    _, console, asked = browse(tmp_path, "--dump-dom", (tmp_path / "bad.html").as_uri())
    assert any("seen" in line for line in console)
    assert any("bench.invalid" in one for one in own(asked))


@needs_chromium
@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_it_prints_on_both_papers(html, tmp_path, paper, points):
    place = tmp_path / "report.html"
    write_report(html.replace("size: A4;", f"size: {paper};"), place)
    browse(tmp_path, f"--print-to-pdf={tmp_path / 'report.pdf'}", "--no-pdf-header-footer", place.as_uri())
    content = (tmp_path / "report.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", content)
    assert 6 <= len(boxes) <= 12  # seven figures, three long tables, words and cautions
    for box in boxes:
        assert [float(side) for side in box] == pytest.approx(points, abs=1.5)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_owners_part_prints_on_two_pages_at_most(html, tmp_path, paper, owner_part):
    place = tmp_path / "report.pdf"
    write_pdf(owner_part(html).replace("size: A4;", f"size: {paper};"), place)
    assert 1 <= len(re.findall(rb"/MediaBox", place.read_bytes())) <= 2


def test_letterhead_photo_and_closing_stand_on_the_owners_part(log, words_of, owner_part):
    workshop = Workshop("Hillside & Sons", ("4 Orchard Lane",), "", "Letter", "Wind nothing.")
    page = report_html(
        gather(log, "Harbour lamp"), MADE, workshop=workshop, photo="data:image/png;base64,AAAA"
    )
    said = words_of(owner_part(page))
    assert said.index("Hillside & Sons") < said.index("Harbour lamp Report of")
    assert "4 Orchard Lane" in said
    assert "Wind nothing." in said
    assert '<img src="data:image/png;base64,AAAA" alt="Photo of Harbour lamp">' in page
    assert "size: Letter;" in page


def test_the_running_header_cannot_end_its_string(log):
    log.add_clock('Odd "; } </style><b>')
    page = report_html(gather(log, 'Odd "; } </style><b>'), MADE)
    header = page[page.index("@top-left") : page.index("@top-right")]
    assert "</style" not in header
    assert header.count('"') == 4  # the string's own two, and those of the font
