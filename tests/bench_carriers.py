"""``python -m tests.bench_carriers``: what each carrier keeps of the same faults, relative to the uncompressed original.

One tape is played once for each line standard, seed and raster and stored in every carrier; the fit of each copy is compared with
that of the uncompressed v210 file of the same tape. ``--write`` makes ``docs/carriers_table.md``.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from detect.findings import WindowReadings
from synthetic_clips.deck import DeckFaults
from synthetic_clips.files import CODECS, write_clip
from tests.bench_material import MEMORY, SUFFIX, Case, of_file, rendered

DOCUMENT = Path(__file__).parents[1] / "docs" / "carriers_table.md"
FAULTS = DeckFaults(
    standard="525", phase_lines=6.25, skew_ns=60.0, quadrature_ns=(0.0, 40.0, 0.0, 0.0), saturation_pct=(0.0, 0.0, -10.0, 0.0),
    level_ire=(1.5, 0.0, 0.0, 0.0), noise_db=(0.0, 0.0, 0.0, 3.0), response_db=(0.0, -4.0, 0.0, 0.0), blanking="reinserted",
    saturation_follows_response=False,
)  # fmt: skip
"""One clear fault of each kind, on different heads."""
ORIGINAL = "v210"
CARRIERS = (
    "v210", "ffv1_8bit", "mpeg2_intra", "mpeg2_intra30", "prores", "prores_lt", "vc3", "mjpeg", "dv50", "dv25", "h264", "mpeg2_long",
    "h264_10bit", "jpeg2000",
)  # fmt: skip
"""FFV1 of 10 bits holds the samples of v210, packed 4:2:2 of 8 bits those of FFV1 of 8 bits: tests of the carriers hold that."""
NARROW = ("dv50", "dv25", "h264", "mpeg2_long")
"""Carriers of 480 rows: their original is a v210 file of 480 rows."""
FIGURES = ("skew_ns", "quadrature_ns", "saturation_pct", "level_ire", "noise_db", "response_db")
HEAD = """# What a carrier keeps

`{command}` stored the same tape ({seeds} programme(s) of {seconds:g} s, 525 lines, uncorrected; 60 ns skew,
40 ns quadrature, 10 % saturation,
1.5 IRE level, 3 dB noise and 4 dB response, of one head each) in every carrier and scanned every file.

*gain* is the figure from this carrier over the figure from uncompressed v210 of the same tape (least squares over the heads), so 1
means that the carrier changes nothing (FFV1 of 10 bits holds the same samples); *sigma* is the stated error over that of the
original. "-" means that no figure is given. `docs/synthetic_clips.md` names the encoders. One short programme decides each row:
read the second decimal with care.
"""


def figures(path: Path) -> WindowReadings:
    readings = path.with_suffix(".readings.zip")
    try:
        return of_file(path, readings).summary
    finally:
        readings.unlink(missing_ok=True)


def values(summary: WindowReadings, name: str) -> tuple[np.ndarray, np.ndarray] | None:
    got = getattr(summary, name)
    if got is None:
        return None
    pair = (got.values, got.sigmas) if hasattr(got, "values") else ([got.value], [got.sigma])
    value, sigma = (np.array(x, float) for x in pair)
    return (value, sigma) if np.isfinite(value).all() and np.isfinite(sigma).all() else None


def scanned_copies(seed: int, seconds: float) -> dict[str, dict[str, WindowReadings]]:
    """Carrier to figures of {"copy", "original"}; every raster is rendered once and encoded many times."""
    out: dict[str, dict[str, WindowReadings]] = {}
    for narrow in (False, True):
        names = [c for c in CARRIERS if (c in NARROW) == narrow]
        case = Case(f"carrier {seed}", seed, replace(FAULTS), "dv25" if narrow else MEMORY, "varied", seconds)
        tape = rendered(case)
        frames = list(tape)
        original: WindowReadings | None = None
        for name in names if not narrow else [ORIGINAL, *names]:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / f"tape{SUFFIX.get(name, '.mkv')}"
                if path.suffix not in CODECS[name].containers:
                    path = path.with_suffix(CODECS[name].containers[0])
                write_clip(path, frames, codec=name, truth=tape.truth)
                found = figures(path)
            if name == ORIGINAL:
                original = found
            if original is not None and name in names:
                out[name] = {"copy": found, "original": original}
                print(f"seed {seed}: {name}", file=sys.stderr, flush=True)
    return out


def table(runs: list[dict[str, dict[str, WindowReadings]]]) -> str:
    heads = ["carrier", *(f"{n.rsplit('_', 1)[0]}: gain, sigma" for n in FIGURES)]
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    for name in CARRIERS:
        cells = [name]
        for figure in FIGURES:
            both = [(values(r[name]["copy"], figure), values(r[name]["original"], figure)) for r in runs if name in r]
            kept = [(c, o) for c, o in both if c is not None and o is not None]
            if not kept:
                cells.append("-")
                continue
            copy, original = (np.concatenate([pair[i][0] for pair in kept]) for i in (0, 1))
            widths = [float(np.median(c[1]) / np.median(o[1])) for c, o in kept]
            gain = float((copy * original).sum() / (original**2).sum())
            cells.append(f"{gain:.2f}, x {np.median(widths):.1f}" + (f" ({len(kept)} of {len(both)})" if len(kept) < len(both) else ""))
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--write", action="store_true", help="write docs/carriers_table.md")
    given = parser.parse_args()
    runs = [scanned_copies(given.first_seed + k, given.seconds) for k in range(given.seeds)]
    command = (
        f"python -m tests.bench_carriers --seeds {given.seeds} --first-seed {given.first_seed} --seconds {given.seconds:g} --write"
    )
    text = HEAD.format(command=command, seeds=given.seeds, seconds=given.seconds) + "\n" + table(runs) + "\n"
    print(text)
    if given.write:
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
