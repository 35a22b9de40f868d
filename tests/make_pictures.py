"""``python -m tests.make_pictures [--out DIR]``: run the demo; its page becomes docs/report.png, its terminal docs/terminal.svg.

Needs Debian's chromium and Playwright. The pictures show the demo's invented tapes and nothing else.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
from playwright.sync_api import sync_playwright
from rich.console import Console
from rich.text import Text

DOCS = Path(__file__).parents[1] / "docs"
PAGE = "demo_uncorrected_525.mkv.report.html"
WIDTH, HEIGHT = 1100, 1500
MOST_BYTES = 400_000
COLUMNS = 100


def demo(folder: Path) -> str:
    """Run the demo as a user does; its coloured terminal output."""
    env = {**os.environ, "FORCE_COLOR": "1", "COLUMNS": str(COLUMNS), "TERM": "xterm-256color"}
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", "demo", folder.name], cwd=folder.parent, env=env, capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1):
        raise SystemExit(f"the demo failed: {done.stderr.strip()}")
    return done.stdout


def picture_of_page(page: Path, out: Path) -> None:
    """A screenshot of the top of the page, in few enough colours to stay small."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        view = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        view.goto(page.as_uri())
        view.wait_for_timeout(1500)
        shot = view.screenshot()
        browser.close()
    image = cv2.imdecode(np.frombuffer(shot, np.uint8), cv2.IMREAD_COLOR)
    for step in (1, 4, 8, 16, 32):
        coarse = np.minimum((image.astype(int) + step // 2) // step * step, 255).astype(np.uint8)
        done, data = cv2.imencode(".png", coarse, [cv2.IMWRITE_PNG_COMPRESSION, 9])
        if done and len(data) < MOST_BYTES:
            out.write_bytes(data.tobytes())
            return
    raise SystemExit(f"the picture of {page.name} stays above {MOST_BYTES} bytes")


def picture_of_terminal(text: str, out: Path) -> None:
    console = Console(record=True, file=io.StringIO(), width=COLUMNS, force_terminal=True)
    console.print(Text.from_ansi(text.rstrip("\n")))
    drawn = console.export_svg(title="headpass demo", unique_id="headpass")
    # the fonts of the template would be fetched from elsewhere; a reader's own will do
    # and the three buttons of a window belong to somebody's desktop
    drawn = re.sub(r"<g transform=\"translate\(26,22\)\">.*?</g>\s*", "", drawn, count=1, flags=re.DOTALL)
    out.write_text(re.sub(r"@font-face \{.*?\}\s*", "", drawn, flags=re.DOTALL), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=DOCS)
    out = parser.parse_args().out
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "headpass-demo"
        text = demo(folder)
        picture_of_terminal(text, out / "terminal.svg")
        picture_of_page(folder / PAGE, out / "report.png")
    for name in ("report.png", "terminal.svg"):
        print(f"{out / name}: {(out / name).stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
