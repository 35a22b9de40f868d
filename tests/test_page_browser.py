"""The page in a real browser: headless Chromium through Playwright, the accessibility rules of axe-core, printing.

Needs Debian's chromium, Playwright from PyPI and axe-core from npm; where one is missing the tests skip and say so.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest

from detect.measure.excerpt import encode_fields
from detect.measure.fields import Field, Frame, SampleFormat
from detect.output import timeline
from detect.output.files import OutputPaths, write_outputs
from detect.readings import Excerpt
from tests import fabricated as fab

CHROMIUM = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)
MOST_PAGE_BYTES = 12_000_000
MOST_OPEN_MS = 3000.0
MOST_HOVER_MS = 100.0

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine: apt-get install chromium")
playwright = pytest.importorskip("playwright.sync_api", reason="no Playwright: pip install playwright")

TAPES = {
    "clean": fab.clean_tape,
    "one fault": fab.one_fault_tape,
    "long": fab.long_tape,
    "ruined": fab.ruined_tape,
    "unmeasured": fab.unmeasured_tape,
}


def axe_source() -> str | None:
    """axe-core's script: AXE_CORE names it, else it is looked for below npm's global folder and the present one."""
    places = [Path(os.environ["AXE_CORE"])] if "AXE_CORE" in os.environ else []
    if (npm := shutil.which("npm")) is not None:
        root = subprocess.run([npm, "root", "-g"], capture_output=True, text=True, check=False).stdout.strip()
        places.append(Path(root) / "axe-core" / "axe.min.js")
    places.append(Path("node_modules/axe-core/axe.min.js"))
    return next((place.read_text("utf-8") for place in places if place.is_file()), None)


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as p:
        chromium = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    made: dict[str, OutputPaths] = {}

    def page(name: str) -> OutputPaths:
        if name not in made:
            findings = TAPES[name]()
            made[name] = OutputPaths(folder, f"{name.replace(' ', '_')}.mkv")
            excerpt = moving() if name == "one fault" else None
            write_outputs(findings, made[name], stills=stills(findings), excerpt=excerpt)
        return made[name]

    return page


def stills(findings) -> dict[tuple[int, str], bytes]:
    grey = cv2.imencode(".jpg", np.full((120, 160, 3), 128, np.uint8))[1].tobytes()
    return {(f.evidence.frame, style): grey for f in findings.findings[:3] for style in ("frame", "detail", "chroma")}


def moving() -> Excerpt:
    """Thirty frames that brighten, encoded as the excerpt is."""
    samples = SampleFormat(bit_depth=8, chroma_step_x=2, chroma_step_y=1, full_range=False, has_chroma=False)
    planes = [np.full((243, 720), 60 + 4 * n, np.uint8) for n in range(30)]
    frames = [Frame(n, tuple(Field(n, i, 1 - i, y, None, None) for i in (0, 1))) for n, y in enumerate(planes)]  # type: ignore[arg-type]
    encoded = encode_fields(lambda: iter(frames), samples, frame_rate=Fraction(30_000, 1001), most_bytes=1_000_000)
    return Excerpt(2100, 2130, encoded.ending, encoded.data)


def opened(browser, paths: OutputPaths, *, width: int = 1280, scheme: str = "light"):
    """The page with all charts drawn; console messages and requests are kept in ``complaints`` and ``requests``."""
    tab = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    tab.complaints, tab.requests = [], []
    tab.on("console", lambda message: tab.complaints.append(message.text))
    tab.on("pageerror", lambda error: tab.complaints.append(str(error)))
    tab.on("request", lambda request: tab.requests.append(request.url) if not request.url.startswith("data:") else None)
    tab.goto(paths.report.as_uri())
    tab.evaluate("headpassDrawAll()")
    return tab


def test_the_page_opens_from_a_file_draws_its_charts_and_asks_for_nothing(browser, pages):
    """The small one of this module, for the quick tier."""
    paths = pages("one fault")
    tab = opened(browser, paths)
    assert tab.requests == [paths.report.as_uri()]
    assert not tab.complaints
    charts = tab.locator(".chart")
    assert charts.count() == 8, "timeline, over time, heads, response, pass, noise, tape, places"
    assert all(charts.nth(i).locator("svg.main-svg").count() for i in range(charts.count()))
    tab.close()


def test_bars_and_steps_of_the_first_seconds_stand_where_they_belong(browser, tmp_path):
    whole = fab.clean_tape(minutes=0.15)
    found = [fab.finding(1, "skew", 41, 209, value=60.0, sigma=5.0), fab.finding(2, "scallop", 100, 230, value=60.0, sigma=5.0)]
    transfer = whole.transfer.model_copy(update={"start_timecode": None})
    findings = whole.model_copy(update={"findings": found, "transfer": transfer})
    path = OutputPaths(tmp_path, "short.mkv")
    write_outputs(findings, path, stills={}, excerpt=None)
    tab = opened(browser, path)
    drawn = tab.evaluate(
        "document.querySelector('[data-chart=timeline]').calcdata.flatMap((t) => t.map((p) => [t[0].trace.type, p.b ?? p.x, p.s]))"
    )
    day = timeline.DAY_MS
    span = day + 1000 * findings.transfer.duration_s
    bars = sorted(start - day for kind, start, _ in drawn if kind == "bar")
    rate = float(Fraction(findings.transfer.frame_rate))
    assert bars == pytest.approx(sorted(1000 * f.start_frame / rate for f in (*findings.findings, *findings.sections)), abs=1)
    assert all(day <= at <= span + 1 for kind, at, _ in drawn if kind == "scatter" and at is not None)


@pytest.mark.long
@pytest.mark.parametrize("width", [1280, 800, 390])
@pytest.mark.parametrize("name", list(TAPES))
def test_no_page_complains_or_runs_over_its_side(browser, pages, name, width):
    tab = opened(browser, pages(name), width=width)
    assert not tab.complaints
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    tab.close()


@pytest.mark.long
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", list(TAPES))
def test_axe_finds_no_serious_violation(browser, pages, name, scheme):
    """axe-core, all its default rules; charts are pictures with a label, their figures are in tables."""
    source = axe_source()
    if source is None:
        pytest.skip("no axe-core: npm install -g axe-core, or name its axe.min.js in AXE_CORE")
    tab = opened(browser, pages(name), scheme=scheme)
    if tab.locator("#rest").count():
        tab.evaluate("document.getElementById('rest').open = true")
    tab.evaluate(source)
    found = tab.evaluate("axe.run({exclude: ['.chart svg']}).then((r) => r.violations)")
    serious = [v for v in found if v["impact"] in ("serious", "critical")]
    assert not serious, [(v["id"], [n["target"] for n in v["nodes"]][:4]) for v in serious]
    tab.close()


@pytest.mark.long
def test_every_finding_can_be_reached_and_its_moment_shown(browser, pages):
    tab = opened(browser, pages("ruined"))
    count = tab.locator("[id^=finding-]").count()
    assert count == 500
    for rank in (1, 10, 11, 250, 500):
        tab.evaluate(f"location.hash = 'finding-{rank}'")
        target = tab.locator(f"#finding-{rank}")
        target.wait_for(state="visible")
        assert tab.evaluate(f"document.getElementById('finding-{rank}').contains(document.activeElement)")
        button = target.locator("[data-show]")
        button.click()
        first, last = tab.evaluate("document.querySelector('[data-chart=timeline]')._fullLayout.xaxis.range")
        mark = tab.evaluate("document.querySelector('[data-chart=timeline]')._fullLayout.shapes[0].x0")
        assert tab.evaluate(
            "([a, b]) => Date.parse(b.replace(' ', 'T') + 'Z') > Date.parse(a.replace(' ', 'T') + 'Z')", [first, last]
        )
        assert mark is not None
        kind = button.get_attribute("data-of")
        titles = tab.evaluate("JSON.parse(document.getElementById('data').textContent).series.figures.map((f) => f.kinds)")
        followed = int(tab.locator("#series").input_value())
        assert kind in titles[followed] or not any(kind in kinds for kinds in titles), "its figure is followed"
    tab.close()


@pytest.mark.long
def test_a_click_on_the_timeline_goes_to_the_finding(browser, pages):
    tab = opened(browser, pages("one fault"))
    tab.locator("#timeline").scroll_into_view_if_needed()
    bar = tab.locator("[data-chart=timeline] .bars .point").last
    box = bar.bounding_box()
    tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    tab.wait_for_function("location.hash.startsWith('#finding-')")
    tab.close()


@pytest.mark.long
def test_zoom_by_drag_by_button_and_back(browser, pages):
    tab = opened(browser, pages("long"))
    tab.locator("#timeline").scroll_into_view_if_needed()
    stamp = "((t) => Date.parse(String(t).replace(' ', 'T') + 'Z'))"
    element = "document.querySelector('[data-chart=timeline]')"
    length = f"((r) => {stamp}(r[1]) - {stamp}(r[0]))({element}._fullLayout.xaxis.range)"
    whole = tab.evaluate(length)
    tab.click("[data-zoom=in]")
    assert tab.evaluate(length) == pytest.approx(whole / 2, rel=0.01)
    other = length.replace("timeline", "series")
    assert tab.evaluate(other) == pytest.approx(whole / 2, rel=0.01), "the chart below follows"
    tab.click("[data-zoom=all]")
    box = tab.locator("[data-chart=timeline] .nsewdrag").first.bounding_box()
    tab.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.3)
    tab.mouse.down()
    tab.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + box["height"] * 0.3, steps=5)
    tab.mouse.up()
    tab.wait_for_timeout(300)
    assert tab.evaluate(length) == pytest.approx(whole / 4, rel=0.03)
    tab.close()


@pytest.mark.long
def test_the_tape_map_goes_from_counts_to_single_losses_when_zoomed(browser, pages):
    tab = opened(browser, pages("ruined"))
    assert "as counts" in tab.locator("#tape-state").inner_text()
    chart = tab.locator("[data-chart=tape]")
    chart.scroll_into_view_if_needed()
    box = chart.locator(".nsewdrag").first.bounding_box()
    tab.mouse.move(box["x"] + 10, box["y"] + 10)
    tab.mouse.down()
    tab.mouse.move(box["x"] + 40, box["y"] + box["height"] - 10, steps=4)
    tab.mouse.up()
    tab.wait_for_function("document.getElementById('tape-state').textContent.includes('singly')")
    tab.close()


@pytest.mark.long
def test_the_excerpt_plays_and_goes_on_by_one_field(browser, pages):
    tab = opened(browser, pages("one fault"))
    video = tab.locator("video")
    video.scroll_into_view_if_needed()
    tab.wait_for_function("document.querySelector('video').readyState >= 2")
    assert tab.evaluate("(({videoWidth, videoHeight}) => [videoWidth / videoHeight])(document.querySelector('video'))") == [
        pytest.approx(4 / 3, rel=0.01)
    ]
    assert tab.evaluate("document.querySelector('video').duration") == pytest.approx(60 * 1001 / 60_000, abs=0.02)
    tab.click("[data-speed=step]")
    tab.wait_for_function("!document.querySelector('video').seeking")
    assert tab.evaluate("document.querySelector('video').currentTime") == pytest.approx(1001 / 60_000, abs=1e-3)
    tab.click("[data-speed='0.25']")
    tab.wait_for_function("document.querySelector('video').currentTime > 0.05")
    assert tab.evaluate("document.querySelector('video').playbackRate") == 0.25
    assert not tab.complaints
    tab.close()


@pytest.mark.long
def test_the_filter_leaves_only_what_was_asked_for(browser, pages):
    tab = opened(browser, pages("ruined"))
    tab.click("#rest > summary")
    tab.select_option("#filter [name=kind]", "skew")
    shown = tab.locator("#rest li[data-kind]:visible")
    assert {shown.nth(i).get_attribute("data-kind") for i in range(shown.count())} == {"skew"}
    assert tab.locator("#shown").inner_text() == f"{shown.count()} shown"
    tab.close()


@pytest.mark.long
def test_the_largest_page_is_small_opens_soon_and_answers_a_hover_at_once(browser, pages):
    """The limits are those of the task: 12 MB, 3 s to open with its first charts, 100 ms from pointer to label."""
    paths = pages("ruined")
    assert paths.report.stat().st_size < MOST_PAGE_BYTES
    tab = browser.new_page(viewport={"width": 1280, "height": 900})
    opened_ms = []
    for _ in range(3):
        tab.goto(paths.report.as_uri())
        opened_ms.append(tab.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd"))
    assert min(opened_ms) < MOST_OPEN_MS, "the best of three: what the page costs, not what else the machine does"
    tab.evaluate("headpassDrawAll()")
    for chart, points in (("timeline", ".bars .point >> nth=40"), ("tape", ".nsewdrag >> nth=0")):
        element = tab.locator(f"[data-chart={chart}]")
        element.scroll_into_view_if_needed()
        box = element.locator(points).bounding_box()
        tab.evaluate(
            """(chart) => {
              const element = document.querySelector(`[data-chart=${chart}]`);
              window.moved = window.hovered = null;
              element.addEventListener("mousemove", () => { window.moved ||= performance.now(); }, true);
              element.on("plotly_hover", () => { window.hovered ||= performance.now() - window.moved; });
            }""",
            chart,
        )
        tab.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        tab.wait_for_function("window.hovered !== null", timeout=3000)
        assert tab.evaluate("window.hovered") < MOST_HOVER_MS
    tab.close()


@pytest.mark.long
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["one fault", "long"])
def test_printing_gives_whole_pages_with_every_chart_inside_the_margins(browser, pages, tmp_path, name, paper):
    tab = opened(browser, pages(name))
    tab.emulate_media(media="print")
    tab.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    widths = tab.evaluate(
        "[...document.querySelectorAll('.chart svg.main-svg')].map((s) => s.getBoundingClientRect().width)"
    )
    assert widths
    assert max(widths) <= 641
    pdf = tmp_path / "page.pdf"
    tab.pdf(path=str(pdf), format=paper)
    assert pdf.read_bytes().startswith(b"%PDF")
    assert pdf.read_bytes().count(b"/Type /Page\n") + pdf.read_bytes().count(b"/Type /Page ") >= 3
    tab.close()


@pytest.mark.long
def test_the_shared_library_serves_the_page_beside_it(browser, tmp_path):
    paths = OutputPaths(tmp_path, "reel.mkv")
    write_outputs(fab.one_fault_tape(minutes=1), paths, assets="shared")
    tab = opened(browser, paths)
    assert not tab.complaints
    assert sorted(Path(url).name for url in tab.requests) == ["headpass-plotly.min.js", "reel.mkv.report.html"]
    tab.close()
