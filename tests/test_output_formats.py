"""findings.json, .csv and .vtt against independent readers: jsonschema, the csv module, webvtt-py."""

from __future__ import annotations

import csv
import html
import io
import json
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
import webvtt

from detect.errors import BadReadings
from detect.findings import Findings
from detect.output.csv_file import COLUMNS, findings_csv, losses_csv, read_losses
from detect.output.json_file import findings_json, findings_schema, read_findings, schema_text, split_losses
from detect.output.vtt_file import findings_vtt
from tests import fabricated as fab

DOCS = Path(__file__).parent.parent / "docs"
HOSTILE = 'x --> y <v Bob>& "q"\r\n\r\n00:00:01.000 --> 00:00:02.000\n=1+1'


def tapes() -> dict[str, Findings]:
    return {
        "clean": fab.clean_tape(minutes=1),
        "one fault": fab.one_fault_tape(minutes=2),
        "long": fab.long_tape(minutes=6),
        "ruined": fab.ruined_tape(minutes=8, count=60, lost=300),
        "unmeasured": fab.unmeasured_tape(),
    }


def hostile() -> Findings:
    base = fab.one_fault_tape(minutes=2)
    cause = base.findings[0].causes[0].model_copy(update={"cause": HOSTILE, "check": "@SUM(A1)"})
    finding = base.findings[0].model_copy(update={"text": "=cmd|' /C calc'!A0\x00" + HOSTILE, "causes": [cause]})
    transfer = base.transfer.model_copy(update={"path": "+reel;'--> µ.mkv"})
    return base.model_copy(update={"findings": [finding, base.findings[1]], "transfer": transfer})


@pytest.mark.parametrize("name", list(tapes()))
def test_findings_json_validates_against_the_published_schema_and_reads_back_the_same(name, tmp_path):
    findings = tapes()[name]
    text = findings_json(findings)
    raw = json.loads(text, parse_constant=lambda constant: pytest.fail(f"{constant} in the file"))
    jsonschema.Draft202012Validator(findings_schema()).validate(raw)
    (tmp_path / "a.findings.json").write_text(text, "utf-8")
    assert read_findings(tmp_path / "a.findings.json") == findings


def test_the_schema_refuses_a_wrong_outcome_and_a_missing_verdict_but_not_a_new_field():
    validator = jsonschema.Draft202012Validator(findings_schema())
    raw = json.loads(findings_json(fab.unmeasured_tape()))
    assert validator.is_valid({**raw, "a_later_field": 1})
    assert not validator.is_valid({key: value for key, value in raw.items() if key != "verdict"})
    assert not validator.is_valid({**raw, "verdict": {**raw["verdict"], "outcome": "perfect"}})
    assert not validator.is_valid({**raw, "schema": 2})


def test_the_schema_in_docs_is_what_the_command_prints():
    assert (DOCS / "findings.schema.json").read_text("utf-8") == schema_text(), (
        "run: headpass schema --out docs/findings.schema.json"
    )


def test_every_field_of_every_published_object_is_explained_in_the_docs():
    text = (DOCS / "findings.md").read_text("utf-8")
    schema = findings_schema()
    fields = {name for model in (schema, *schema["$defs"].values()) for name in model.get("properties", {})}
    assert len(fields) > 100
    assert not [name for name in sorted(fields) if f"`{name}`" not in text]


def test_more_than_ten_thousand_losses_go_to_their_own_file_and_come_back(tmp_path):
    findings = fab.clean_tape(minutes=1)
    many = [findings.dropouts[0]] * 10_001
    findings = findings.model_copy(update={"dropouts": many})
    slim = split_losses(findings, losses_name="a.dropouts.csv")
    raw = json.loads(findings_json(slim))
    assert raw["dropouts"] is None
    assert raw["dropouts_file"] == "a.dropouts.csv"
    (tmp_path / "a.findings.json").write_text(findings_json(slim), "utf-8")
    (tmp_path / "a.dropouts.csv").write_bytes(losses_csv(many))
    assert len(read_findings(tmp_path / "a.findings.json").dropouts) == 10_001


def test_losses_survive_the_table_to_six_digits():
    rows = fab.ruined_tape(minutes=8, count=5, lost=200).dropouts
    back = read_losses(losses_csv(rows))
    assert [(r.frame, r.field, r.line, r.x0, r.x1, r.kind, r.head) for r in back] == [
        (r.frame, r.field, r.line, r.x0, r.x1, r.kind, r.head) for r in rows
    ]
    assert [r.tape_m_along for r in back] == pytest.approx([r.tape_m_along for r in rows], rel=1e-5)


def test_csv_has_the_columns_of_the_contract_and_one_row_per_finding():
    findings = fab.one_fault_tape(minutes=2)
    rows = list(csv.reader(io.StringIO(findings_csv(findings).decode("utf-8-sig"), newline="")))
    assert rows[0] == [
        "file", "finding", "kind", "status", "severity", "heads", "start_timecode", "end_timecode", "start_frame",
        "end_frame", "value", "sigma", "unit", "affected_pct", "text", "first_cause", "check",
    ]  # fmt: skip
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 1 + len(findings.findings)
    first = dict(zip(rows[0], rows[1], strict=True))
    assert (first["finding"], first["heads"], float(first["value"]), first["unit"]) == ("F1", "B", -10.1, "%")


def test_no_text_cell_of_the_csv_begins_like_a_formula():
    """OWASP, "CSV Injection": = + - @ tab and carriage return start a formula; numbers stay numbers."""
    rows = list(csv.reader(io.StringIO(findings_csv(hostile()).decode("utf-8-sig"), newline="")))
    assert len(rows) == 3, "line breaks inside a text do not make rows"
    for row in rows[1:]:
        for column, cell in zip(COLUMNS, row, strict=True):
            if column in ("value", "sigma", "affected_pct", "start_frame", "end_frame"):
                float(cell)
            else:
                assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")), (column, cell)


def test_csv_opens_as_utf8_in_a_spreadsheet():
    assert findings_csv(hostile()).startswith(b"\xef\xbb\xbf"), "the byte order mark that spreadsheets go by"


@pytest.mark.parametrize("name", list(tapes()))
def test_captions_parse_with_one_cue_per_finding_in_order(name):
    findings = tapes()[name]
    captions = webvtt.from_buffer(io.StringIO(findings_vtt(findings).decode()))
    assert sorted(c.identifier for c in captions) == sorted(f.id for f in findings.findings)
    starts = [c.start for c in captions]
    assert starts == sorted(starts)


def test_cue_times_are_those_of_the_frames_at_the_exact_rate():
    findings = fab.one_fault_tape(minutes=20)
    rate = Fraction(30_000, 1001)
    cues = {c.identifier: c for c in webvtt.from_buffer(io.StringIO(findings_vtt(findings).decode()))}
    for finding in findings.findings:
        cue = cues[finding.id]
        h, m, s = cue.start.split(":")
        start = int(h) * 3600 + int(m) * 60 + Fraction(s)
        assert finding.start_frame == int(start * rate), "the cue starts inside its first frame"
        assert 0 <= start - finding.start_frame / rate < Fraction(1, 1000)


def test_a_hostile_text_neither_ends_a_cue_nor_makes_one():
    findings = hostile()
    text = findings_vtt(findings).decode()
    assert text.count("-->") == len(findings.findings)
    cues = list(webvtt.from_buffer(io.StringIO(text)))
    assert len(cues) == 2
    assert '<v Bob>& "q"' in html.unescape(cues[0].raw_text)
    assert "<v" not in cues[0].raw_text


def test_a_finding_of_no_length_gets_a_cue_of_one_frame():
    base = fab.one_fault_tape(minutes=2)
    finding = base.findings[0].model_copy(update={"start_frame": 100, "end_frame": 100})
    (cue,) = webvtt.from_buffer(io.StringIO(findings_vtt(base.model_copy(update={"findings": [finding]})).decode()))
    assert (cue.start, cue.end) == ("00:00:03.337", "00:00:03.371"), "100 and 101 frames at 30000/1001, rounded up"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "damaged"),
        ("[1, 2]", "not a findings file"),
        ('{"a": 1}', "not a findings file"),
        ('{"verdict": {}, "schema": 99}', "schema 99"),
        ('{"verdict": {}, "schema": 1}', "run headpass judge"),
    ],
)
def test_a_damaged_findings_file_is_refused_in_one_line(tmp_path, text, says):
    path = tmp_path / "a.findings.json"
    path.write_text(text)
    with pytest.raises(BadReadings, match=says) as caught:
        read_findings(path)
    assert "\n" not in str(caught.value)
