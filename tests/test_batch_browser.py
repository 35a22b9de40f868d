"""The index page in a real browser: worst first, filtered, sorted, no script error, no request to anywhere."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from detect.archive.ledger import Ledger, Row
from detect.archive.summary import WORST_FIRST, write_lists

CHROMIUM = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine: apt-get install chromium"),
]
playwright = pytest.importorskip("playwright.sync_api", reason="no Playwright: pip install playwright")


def test_the_index_filters_and_sorts(tmp_path: Path) -> None:
    outcomes = [o for o in WORST_FIRST if o]
    ledger = Ledger(tmp_path)
    ledger.add(
        Row(
            f"shelf {n % 5}/tape_{n:03d}.mkv", Path(f"/archive/{n}.mkv"), state="done", outcome=outcomes[n % 6],
            transfer_again=int(n % 6 == 1), sentence="Words.", affected_pct=n / 10, worst_in="a", worst_out="b",
            kinds="skew dropouts" if n % 2 else "noise", deck=f"deck {n % 3}", operator=f"shift {n % 4}",
        )
        for n in range(600)
    )  # fmt: skip
    ledger.add([Row("broken.mkv", Path("/archive/broken.mkv"), state="failed", reason="no video <b>")])
    write_lists(ledger, tmp_path)
    ledger.close()
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page()
        wrong: list[str] = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", lambda request: wrong.append(request.url) if not request.url.startswith("file:") else None)
        page.goto((tmp_path / "index.html").as_uri())
        rows = page.locator("#rows tr")
        assert "Inspect the tape" in rows.first.inner_text()
        assert rows.count() == 300
        page.click("#more")
        assert rows.count() == 600
        page.select_option("select[name=o]", "failed")
        assert rows.count() == 1
        assert "no video <b>" in rows.first.inner_text()
        page.select_option("select[name=o]", "")
        page.select_option("select[name=k]", "skew")
        page.select_option("select[name=d]", "deck 1")
        page.select_option("select[name=p]", "shift 1")
        assert rows.count() == sum(n % 2 == 1 and n % 3 == 1 and n % 4 == 1 for n in range(600))
        page.click("th[data-key=c] button")
        shown = [float(text) for text in page.locator("#rows td:last-child").all_inner_texts()]
        assert shown == sorted(shown, reverse=True)
        page.fill("input[name=f]", "tape_001")
        assert rows.count() == 1
        assert rows.first.locator("a").get_attribute("href") == "shelf%201/tape_001.mkv.report.html"
        browser.close()
    assert wrong == []
