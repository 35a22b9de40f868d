"""The lists of a batch, its ledger at the size of a large archive, and the preservation event."""

from __future__ import annotations

import json
import re
import time
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest

from detect.archive.ledger import Ledger, LedgerTrouble, Row
from detect.archive.premis import event_xml
from detect.archive.run import run_batch
from detect.archive.status import read_status
from detect.archive.summary import WORST_FIRST, write_index, write_lists
from detect.archive.task import summary_facts
from detect.archive.worklist import search
from detect.errors import BadSettings, CannotRead
from detect.findings import Outcome
from tests import fabricated as fab
from tests.test_batch import batch, table, tapes

MANY = 200_000


def page_rows(path: Path) -> list[dict]:
    text = path.read_text("utf-8")
    return json.loads(re.search(r'id="data">(.*?)</script>', text, re.DOTALL)[1])["rows"]


def done(place: str, outcome: str, **more) -> Row:
    given = {"transfer_again": int(outcome == "adjust_and_replay"), "sentence": "Words.", "state": "done", **more}
    return Row(place, Path("/archive") / place, outcome=outcome, **given)


def test_every_outcome_has_its_place_in_the_order() -> None:
    assert set(WORST_FIRST) - {""} == set(Outcome.__args__)


def test_index_and_tables_hold_rows_worst_first_with_links_and_safe_cells(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    ledger.add([
        done("a.mkv", "accept", affected_pct=0.0),
        done("odd #?\n%.mkv", "adjust_and_replay", affected_pct=7.0, kinds="skew", heads="2", deck="deck </script> 1"),
        done("worse.mkv", "adjust_and_replay", affected_pct=50.0, operator="=sum(A1)"),
        done("tape.mkv", "inspect_before_playing"),
        Row("broken.mkv", Path("/archive/broken.mkv"), state="failed", reason="/archive/broken.mkv: no video"),
        Row("later.mkv", Path("/archive/later.mkv")),
    ])  # fmt: skip
    write_lists(ledger, tmp_path)
    ledger.close()
    shown = page_rows(tmp_path / "index.html")
    assert [row["f"] for row in shown] == ["tape.mkv", "worse.mkv", "odd #? %.mkv", "broken.mkv", "a.mkv", "later.mkv"]
    assert shown[2]["r"] == "odd%20%23%3F%0A%25.mkv.report.html"
    assert shown[2]["d"] == "deck </script> 1"
    assert "no video" in shown[3]["t"]
    every = table(tmp_path / "batch.csv")
    assert [row["state"] for row in every] == ["done"] * 3 + ["failed", "done", "waiting"]
    assert every[1]["operator"] == "'=sum(A1)"
    again = table(tmp_path / "transfer_again.csv")
    assert [row["file"] for row in again] == ["/archive/worse.mkv", "/archive/odd #? %.mkv"]


def test_heads_are_listed_only_by_number_and_only_where_numbers_are_known() -> None:
    made = fab.one_fault_tape(minutes=2)
    lettered = made.model_copy(update={"wheel": [w.model_copy(update={"head_numbers": None}) for w in made.wheel]})
    known = [w.model_copy(update={"head_numbers": [3, 4, 1, 2]}) for w in made.wheel]
    numbered = made.model_copy(update={"wheel": known})
    assert summary_facts(lettered)["heads"] is None
    assert summary_facts(numbered)["heads"] == "4"  # head B is the second of the list


def test_deck_and_operator_come_from_the_list_beside_the_transfers(tmp_path: Path) -> None:
    folder, out = tapes(tmp_path / "in", 2), tmp_path / "out"
    about = tmp_path / "about.csv"
    about.write_text("file,deck,operator\ntape_00.mkv,deck 2,night shift\n", "utf-8")
    given = batch(folder, out, origins=about, page=True, premis=True, workers=1)
    run_batch(given)
    assert {row["f"]: (row["d"], row["p"]) for row in page_rows(out / "index.html")} == {
        "tape_00.mkv": ("deck 2", "night shift"), "tape_01.mkv": ("", ""),
    }  # fmt: skip
    assert (out / "tape_00.mkv.report.html").exists()
    assert (out / "tape_00.mkv.premis.xml").exists()
    assert run_batch(given).judged_now == 0
    deck = tmp_path / "deck.toml"
    deck.write_text('[deck]\nname = "deck 5"\n', "utf-8")
    run_batch(replace(given, deck=deck))
    assert {row["d"] for row in page_rows(out / "index.html")} == {"deck 2", "deck 5"}
    about.write_text("name\nx\n", "utf-8")
    with pytest.raises(BadSettings, match="no column called file"):
        run_batch(replace(given, origins=about))


def test_a_search_ends_in_a_loop_finds_patterns_and_names_what_it_cannot_look_into(tmp_path: Path) -> None:
    folder = tapes(tmp_path / "in", 2)
    (folder / "round").symlink_to(folder)
    (folder / "a link").symlink_to(tapes(tmp_path / "elsewhere", 1, name="far"))
    (folder / "same.mkv").symlink_to(folder / "tape_00.mkv")
    (folder / "@copies").mkdir()
    (folder / "@copies" / "tape.mkv").touch()
    (folder / "notes.MKV.txt").touch()
    (folder / "film.IMX").touch()
    found = search([folder], out=tmp_path / "out")
    assert [item.place for item in found.found] == ["a link/far_00.mkv", "same.mkv", "tape_01.mkv"]
    assert [item.place for item in search([folder], out=tmp_path / "out", patterns=("*.imx",)).found] == ["film.IMX"]
    with pytest.raises(CannotRead, match="no such"):
        search([tmp_path / "none"], out=tmp_path / "out")
    with pytest.raises(BadSettings, match="among the transfers"):
        search([folder], out=folder)


def test_a_damaged_ledger_is_named_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "headpass-batch.sqlite"
    path.write_bytes(b"not a ledger at all" * 100)
    with pytest.raises(LedgerTrouble, match="move it away"):
        Ledger(tmp_path)
    assert path.read_bytes() == b"not a ledger at all" * 100


PREMIS = "{http://www.loc.gov/premis/v3}"


@pytest.mark.parametrize("made", [fab.clean_tape(minutes=0.2), fab.unmeasured_tape()], ids=["clean", "hostile name"])
def test_the_event_has_the_parts_of_premis_3_in_their_order(made) -> None:
    """Order, terms: PREMIS Data Dictionary 3.0, Library of Congress vocabularies ("quality review" from memory)."""
    root = ET.fromstring(event_xml(made))
    assert (root.tag, root.attrib["version"]) == (f"{PREMIS}premis", "3.0")
    event = root[0]
    assert [part.tag.removeprefix(PREMIS) for part in event] == [
        "eventIdentifier", "eventType", "eventDateTime", "eventDetailInformation", "eventOutcomeInformation",
        "linkingAgentIdentifier", "linkingObjectIdentifier",
    ]  # fmt: skip
    inner = {
        "eventIdentifier": ["eventIdentifierType", "eventIdentifierValue"],
        "eventDetailInformation": ["eventDetail"],
        "eventOutcomeInformation": ["eventOutcome", "eventOutcomeDetail"],
        "linkingAgentIdentifier": ["linkingAgentIdentifierType", "linkingAgentIdentifierValue", "linkingAgentRole"],
        "linkingObjectIdentifier": ["linkingObjectIdentifierType", "linkingObjectIdentifierValue"],
    }
    for name, parts in inner.items():
        assert [part.tag.removeprefix(PREMIS) for part in event.find(PREMIS + name)] == parts
    assert event.findtext(f"{PREMIS}eventType") == "quality review"
    assert event.findtext(f".//{PREMIS}linkingAgentRole") == "implementer"
    assert event.findtext(f".//{PREMIS}eventOutcome") == "success"
    assert event.findtext(f".//{PREMIS}linkingAgentIdentifierValue") == f"headpass {made.headpass}"
    assert event.findtext(f".//{PREMIS}linkingObjectIdentifierValue") == made.transfer.path
    assert made.verdict.text in event.findtext(f".//{PREMIS}eventOutcomeDetailNote")
    assert event_xml(made) == event_xml(made)


@pytest.fixture
def large_ledger(tmp_path: Path) -> Path:
    ledger = Ledger(tmp_path)
    outcomes = [o for o in WORST_FIRST if o]
    text = "Head B is 10 % weak in colour through the whole programme, most likely in this playback."
    with ledger.together():
        ledger.add(
            done(
                f"shelf {n % 900}/tape_{n:06d}.mkv", outcomes[n % 6], sentence=text, kinds="skew saturation_banding",
                affected_pct=n % 1000 / 10, size_bytes=40_000_000_000, duration_s=3600.0, ended=1e9 + n, seconds=1000.0,
                worst_in="01:00:00:00", worst_out="01:30:00:00", deck=f"deck {n % 7}", operator=f"operator {n % 20}",
            )
            if n % 100
            else Row(f"shelf {n % 900}/tape_{n:06d}.mkv", Path(f"/archive/{n}.mkv"), size_bytes=40_000_000_000)
            for n in range(MANY)
        )  # fmt: skip
        ledger.set_about(began="1e9")
    ledger.close()
    return tmp_path


@pytest.mark.long
def test_status_and_index_of_200_000_files_take_less_than_two_seconds_each(large_ledger: Path) -> None:
    began = time.perf_counter()
    status = read_status(large_ledger)
    status_s = time.perf_counter() - began
    assert status.counts["waiting"] == MANY // 100
    ledger = Ledger(large_ledger)
    began = time.perf_counter()
    write_index(ledger, large_ledger)
    index_s = time.perf_counter() - began
    began = time.perf_counter()
    write_lists(ledger, large_ledger)
    lists_s = time.perf_counter() - began
    ledger.close()
    size_mb = (large_ledger / "index.html").stat().st_size / 1e6
    print(f"\n{MANY} files: status {status_s:.2f} s, index {index_s:.2f} s ({size_mb:.1f} MB), lists {lists_s:.2f} s")
    assert (status_s < 2, index_s < 2) == (True, True)
    assert len(page_rows(large_ledger / "index.html")) == 20_000
