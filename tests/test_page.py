"""The page as a document, without a browser: escaped, self-contained, every figure valid for the library."""

from __future__ import annotations

import base64
import json
import re
from html.parser import HTMLParser

import numpy as np
import plotly.graph_objects as go
import pytest

from detect.findings import Findings
from detect.output import plots, timeline
from detect.output.page import MOST_STILL_BYTES, render_page
from detect.output.signoff import SignOff
from detect.readings import Excerpt
from tests import fabricated as fab

TAPES = {
    "clean": lambda: fab.clean_tape(minutes=1),
    "one fault": lambda: fab.one_fault_tape(minutes=2),
    "long": lambda: fab.long_tape(minutes=6),
    "ruined": lambda: fab.ruined_tape(minutes=8, count=60, lost=300),
    "unmeasured": fab.unmeasured_tape,
}


class Page(HTMLParser):
    """Ids, links, sources and open elements of a page."""

    VOID = frozenset("meta link br img input".split())  # noqa: SIM905 - a plain list of names

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []
        self.stack: list[str] = []
        self.unbalanced: list[str] = []
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        if "id" in values:
            self.ids.append(values["id"])
        if tag == "a":
            self.links.append(values["href"])
        self.sources += [values[key] for key in ("src", "href") if key in values and tag != "a"]
        if tag not in self.VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.stack.pop()

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data):
        if self.stack and self.stack[-1] not in ("script", "style"):
            self.text.append(data)


def page_of(findings: Findings, **more) -> str:
    return render_page(findings, name="reel.mkv", stills=more.pop("stills", {}), library_file="library.js", **more)


def figures_of(text: str) -> dict:
    return json.loads(re.search(r'id="data">(.*?)</script>', text, re.S).group(1))


def with_colours(value):
    if isinstance(value, str):
        return "#123456" if value.startswith("var(") else value
    if isinstance(value, list):
        return [with_colours(item) for item in value]
    return {key: with_colours(item) for key, item in value.items()} if isinstance(value, dict) else value


@pytest.mark.parametrize("name", list(TAPES))
def test_the_document_is_well_formed_and_every_link_in_it_leads_somewhere(name):
    page = Page(page_of(TAPES[name]()))
    assert not page.unbalanced
    assert not page.stack
    assert len(page.ids) == len(set(page.ids))
    assert {link[1:] for link in page.links if link.startswith("#")} <= set(page.ids)
    assert all(link.startswith("#") for link in page.links)


@pytest.mark.parametrize("name", list(TAPES))
def test_every_finding_is_on_the_page_with_its_times_causes_checks_and_cautions(name):
    findings = TAPES[name]()
    text = " ".join(" ".join(Page(page_of(findings)).text).split())
    for finding in findings.findings:
        assert f"{finding.start_timecode} – {finding.end_timecode}" in text  # noqa: RUF001
        assert finding.text in text
        for cause in finding.causes:
            assert cause.cause in text
            assert cause.check in text
            assert cause.caution is None or cause.caution in text
    assert findings.verdict.text in text


@pytest.mark.parametrize("name", list(TAPES))
def test_every_chart_is_valid_for_the_library(name):
    for figure in figures_of(page_of(TAPES[name]()))["figures"].values():
        go.Figure(with_colours({"data": figure["data"], "layout": figure["layout"]}))


def test_nothing_from_outside_is_taken_for_markup():
    base = fab.one_fault_tape(minutes=1)
    evil = '</script><script>alert(1)</script><img src=x onerror="alert(1)">'
    finding = base.findings[0].model_copy(
        update={"text": evil, "id": evil, "heads": [evil], "start_timecode": evil, "linked": [evil]}
    )
    hostile = base.model_copy(
        update={
            "findings": [finding],
            "warnings": [evil],
            "transfer": base.transfer.model_copy(update={"path": evil, "codec": evil}),
            "verdict": base.verdict.model_copy(update={"text": evil, "reasons": [evil]}),
            "limits": {evil: evil},
        }
    )
    signed = SignOff(decision="accept", by=evil, reason=evil, date=evil, outcome=evil, judged=evil)
    text = render_page(hostile, name=evil, stills={}, signoffs=[signed], library_file="library.js")
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert not Page(text).unbalanced


def test_the_page_names_nothing_outside_itself():
    text = render_page(fab.one_fault_tape(minutes=1), name="reel.mkv", stills={(1200, "frame"): b"\xff\xd8"})
    page = Page(text)
    assert all(source.startswith("data:") for source in page.sources)
    assert len(text) > 4_000_000, "the library is inside"


def test_what_was_not_measured_is_said_not_left_blank_or_shown_as_nan():
    text = page_of(fab.unmeasured_tape())
    said = " ".join(Page(text).text).replace("none in the file", "")
    assert not re.search(r"\b(nan|none|null|inf)\b", said, re.I)
    for words in ("Nothing was judged", "No steady wheel was found", "Losses were not looked for"):
        assert words in text
    assert "Programme affected" not in text, "no share of nothing"


def test_a_transfer_without_timecode_is_told_in_frames_and_elapsed_time():
    base = fab.one_fault_tape(minutes=1)
    bare = base.model_copy(
        update={
            "transfer": base.transfer.model_copy(update={"start_timecode": None, "drop_frame": False}),
            "findings": [f.model_copy(update={"start_timecode": None, "end_timecode": None}) for f in base.findings],
        }
    )
    text = page_of(bare)
    assert "frame 2098 – frame 1798" in " ".join(text.split())  # noqa: RUF001
    assert figures_of(text)["series"]["range"][0] == timeline.DAY_MS  # a midnight
    assert "Time from the start of the file" in text


@pytest.mark.parametrize(
    ("start", "drop", "frame", "clock_s"),
    [("01:00:00;00", True, 107_892, 7200.0), ("01:00:00:00", False, 108_000, 7200.0), ("00:00:10:15", False, 15, 11.0)],
)
def test_the_time_axis_shows_the_labels_of_the_timecode(start, drop, frame, clock_s):
    """SMPTE ST 12-1: 107 892 drop-frame labels to an hour, 108 000 non-drop at 30."""
    base = fab.clean_tape(minutes=1)
    transfer = base.transfer.model_copy(update={"start_timecode": start, "drop_frame": drop})
    clock = timeline.Clock(base.model_copy(update={"transfer": transfer}))
    assert (clock.ms(frame) - timeline.DAY_MS) / 1000 == pytest.approx(clock_s, abs=0.004)


def test_no_moment_could_be_taken_for_a_year():
    """Plotly.js reads numbers of two and of four digits on a time axis as years."""
    clock = timeline.Clock(fab.clean_tape(minutes=1))
    assert all(len(str(clock.ms(frame))) == 8 for frame in range(400))


def test_packed_columns_come_back_as_they_were_with_gaps():
    packed = plots.packed([1.5, None, -2.0])
    back = np.frombuffer(base64.b64decode(packed["bdata"]), "<f4")
    assert back[0] == 1.5
    assert np.isnan(back[1])
    assert back[2] == -2.0


def test_stills_are_carried_for_the_weightiest_findings_and_the_rest_is_counted():
    findings = fab.ruined_tape(minutes=8, count=30, lost=0)
    stills = {(f.evidence.frame, "frame"): bytes(400_000) for f in findings.findings}
    text = page_of(findings, stills=stills)
    carried = text.count("data:image/jpeg")
    assert carried == MOST_STILL_BYTES // 400_000
    assert f"{len(stills) - carried} more stills" in text
    first = findings.verdict.reasons[0]
    frame = next(f.evidence.frame for f in findings.findings if f.id == first)
    assert f'id="still-{frame}-frame"' in text


def test_findings_of_one_kind_at_one_moment_do_not_cover_each_other():
    found = [fab.finding(n, "skew", 100 * n, 100 * n + 350) for n in range(1, 5)]
    figure = timeline.timeline(
        fab.clean_tape(minutes=1).model_copy(update={"findings": found}), anchors={f.id: f.id for f in found}
    )
    (trace,) = (t for t in figure["data"] if t["name"] == "to act on")
    spots = [(y - w / 2, y + w / 2) for y, w in zip(trace["y"], trace["width"], strict=True)]
    assert all(a[1] <= b[0] or b[1] <= a[0] for i, a in enumerate(spots) for b in spots[:i])


@pytest.mark.parametrize("standard", [fab.STD_525, fab.STD_625], ids=["525", "625"])
def test_the_drawn_bands_are_those_of_the_standard(standard):
    """Field lines a pass: 525/32 and 625/8/5 = 15.625 (derived from 16 and 20 passes a field); two rows to a line."""
    text = page_of(fab.clean_tape(minutes=1, standard=standard))
    heights = [
        float(h) / 0.45 for h in re.findall(r'class="band h\d" x="24" y="[\d.]+" width="224" height="([\d.]+)"', text)
    ]
    whole = heights[1:-1]
    assert sum(whole) / len(whole) == pytest.approx(2 * float(standard.lines_per_pass), abs=0.35)


def test_a_tape_with_more_losses_than_a_page_can_carry_is_thinned_and_says_so(monkeypatch):
    monkeypatch.setattr(plots, "MOST_MAPPED", 100)
    findings = fab.ruined_tape(minutes=8, count=5, lost=250)
    text = page_of(findings)
    assert "one in 3 is drawn" in text
    columns = figures_of(text)["tape"]
    assert len(base64.b64decode(columns["along"]["bdata"])) // 4 == 84
    assert "one in" not in page_of(fab.ruined_tape(minutes=8, count=5, lost=100))


def test_the_limits_that_were_applied_are_drawn_and_listed():
    text = page_of(fab.one_fault_tape(minutes=1))
    heads = figures_of(text)["figures"]["heads"]
    assert [shape["y0"] for shape in heads["layout"]["shapes"]] == [-5.0, 5.0, -5.0, 5.0], (
        "saturation and hue have limits"
    )
    series = {figure["title"]: figure["limit"] for figure in figures_of(text)["series"]["figures"]}
    assert (series["Skew"], series["Scallop"]) == (25.0, None)
    assert re.search(r"Signal to noise, dB \(counts below\)</th><td>40.0</td><td>34.0</td>", text)


def test_the_top_says_what_to_do_first_unless_the_transfer_is_accepted():
    findings = fab.one_fault_tape(minutes=1)
    top = page_of(findings).split("<nav")[0]
    assert f"<strong>First:</strong> {findings.findings[0].causes[0].check}" in top.replace("&#39;", "'")
    assert "First:" not in page_of(fab.clean_tape(minutes=1)).split("<nav")[0]


def test_causes_of_one_fault_and_one_caution_are_told_once():
    base = fab.one_fault_tape(minutes=1)
    text = page_of(base)
    assert text.count(base.findings[0].causes[0].cause) == 1, "the second finding is the same fault"
    assert "as for <a href=" in text
    twice = [c.model_copy(update={"caution": fab.TRIM_CAUTION}) for c in base.findings[0].causes]
    alone = base.model_copy(update={"findings": [base.findings[0].model_copy(update={"causes": twice})]})
    assert page_of(alone).count(fab.TRIM_CAUTION) == 1
    assert page_of(alone).count("Caution as for 1.") == 2


def test_the_curve_first_shown_is_that_of_the_weightiest_finding():
    series = figures_of(page_of(fab.one_fault_tape(minutes=1)))["series"]
    assert series["figures"][series["first"]]["title"] == "Saturation"


def test_losses_a_minute_come_from_the_list_where_windows_have_no_count():
    base = fab.one_fault_tape(minutes=1)
    bare = [w.model_copy(update={"readings": w.readings.model_copy(update={"dropouts": None})}) for w in base.windows]
    made = timeline.timeline(base.model_copy(update={"windows": bare}), anchors={f.id: f.id for f in base.findings})
    rates = np.frombuffer(base64.b64decode(made["data"][-1]["y"]["bdata"]), "<f4")
    assert np.isfinite(rates).all()
    assert float(rates[:-1].mean()) == pytest.approx(len(base.dropouts), rel=0.02), "one minute, so many a minute"
    unknown = base.model_copy(update={"windows": bare, "dropouts": None})
    made = timeline.timeline(unknown, anchors={f.id: f.id for f in base.findings})
    assert not [t for t in made["data"] if t.get("yaxis") == "y2"], "no empty curve"


def test_sections_are_listed_with_timecode_and_length():
    text = page_of(fab.one_fault_tape(minutes=2))
    assert '<th scope="row">colour bars</th><td>01:00:04;00</td><td>01:00:59;28</td><td>0:00:56</td>' in text


def test_spots_of_one_loss_are_not_called_damaged():
    base = fab.ruined_tape(minutes=8, count=5, lost=100)
    single = [d.model_copy(update={"losses": 1}) for d in base.defects]
    assert base.defects
    assert figures_of(page_of(base))["tape"]["spots"]
    assert not figures_of(page_of(base.model_copy(update={"defects": single})))["tape"]["spots"]


def test_the_excerpt_takes_its_room_from_the_stills():
    findings = fab.ruined_tape(minutes=8, count=30, lost=0)
    stills = {(f.evidence.frame, "frame"): bytes(400_000) for f in findings.findings}
    text = page_of(findings, stills=stills, excerpt=Excerpt(100, 190, "mp4", bytes(1_500_000)))
    assert text.count("data:image/jpeg") == (MOST_STILL_BYTES - 1_500_000) // 400_000
    assert text.count("data:video/mp4") == 1
