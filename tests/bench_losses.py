"""``python -m tests.bench_losses``: how well losses are found on footage the score was not fitted to.

Prints recall of injected losses, false alarms on the same clips and on clean ones, errors of the measured lengths, and CPU time, by
kind of picture. Fresh seeds: ``--first-seed``. A loss counts as visible when it changes the picture by ``VISIBLE_IRE`` rms.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np

from detect.judge.loss_choice import choose_losses
from detect.standards import NS_PER_SAMPLE
from synthetic_clips.damage import Damage, Losses
from synthetic_clips.deck import DeckFaults
from synthetic_clips.foolers import FOOLERS as SIMULATED_FOOLERS
from synthetic_clips.pictures import varied_programme
from synthetic_clips.render import render
from tests import losses_material as m
from tests.losses_clips import FOOLERS, Found, clips, find_losses, match_arrays, play

VISIBLE_IRE = 15.0
"""A seventh of black to white: a weaker dash of a microsecond is hardly seen in moving pictures (house practice)."""
ONE_US, FIVE_US = 13.5, 67.5
COMPENSATED = 3


@dataclass
class Tally:
    visible: int = 0
    visible_found: int = 0
    compensated: int = 0
    compensated_found: int = 0
    false: int = 0
    minutes: float = 0.0
    worst: float = 0.0
    errors_us: list[float] = field(default_factory=list)
    ms: list[float] = field(default_factory=list)

    def add(self, found: Found, likely: float | None) -> None:
        score = np.asarray(found.arrays["score"])
        index = match_arrays(found.arrays, found.truth)
        taken = (
            choose_losses(
                found.arrays,
                cuts=np.array(found.cuts),
                frame_rate=float(m.raster_of(found.height).standard.frame_rate),
            )
            if likely is None
            else score >= likely
        )
        hit = set(index[taken & (index >= 0)].tolist())
        for i, d in enumerate(found.truth):
            length = d.x1 - d.x0
            if d.kind == "compensated":
                if length >= FIVE_US:
                    self.compensated += 1
                    self.compensated_found += i in hit
            elif length >= ONE_US and d.contrast_ire >= VISIBLE_IRE:
                self.visible += 1
                self.visible_found += i in hit
                if i in hit:
                    mine = taken & (index == i)
                    measured = np.max(np.asarray(found.arrays["x1"])[mine] - np.asarray(found.arrays["x0"])[mine])
                    self.errors_us.append(float(measured - length) * NS_PER_SAMPLE * 1e-3)
        wrong = taken & (index < 0)
        runs = len(np.unique(np.asarray(found.arrays["run"])[wrong]))
        self.false += runs
        self.minutes += found.minutes
        self.worst = max(self.worst, runs / found.minutes)
        self.ms.append(found.ms_per_frame)

    def line(self, name: str) -> str:
        def share(found: int, of: int) -> str:
            return f"{found / of:.3f} ({of})" if of else "-"

        errors = np.abs(self.errors_us) if self.errors_us else np.array([np.nan])
        return (
            f"{name:14s} {share(self.visible_found, self.visible):>14s} {share(self.compensated_found, self.compensated):>12s}"
            f" {self.false / self.minutes:9.1f} {self.worst:7.1f} {self.minutes:7.2f} {np.median(errors):7.2f} "
            f"{np.quantile(errors, 0.9):6.2f} {np.mean(self.ms):6.2f}"
        )


HEAD = (
    f"{'':14s} {'visible':>14s} {'compensated':>12s} {'false/min':>9s} {'worst':>7s} {'minutes':>7s} "
    f"{'|err|us':>7s} {'90 %':>6s} {'ms/fr':>6s}"
)


def run(title: str, tapes: Iterable[Found], options: argparse.Namespace) -> None:
    by_kind: dict[str, Tally] = defaultdict(Tally)
    total, foolers = Tally(), Tally()
    for found in tapes:
        by_kind[found.kind].add(found, options.likely)
        (foolers if found.kind in FOOLERS else total).add(found, options.likely)
        if options.show:
            index = match_arrays(found.arrays, found.truth)
            for i in np.flatnonzero((np.asarray(found.arrays["score"]) >= (options.likely or 2.0)) & (index < 0)):
                print("   false", found.name, {k: round(float(v[i]), 2) for k, v in found.arrays.items()})
    print(f"\n{title}\n{HEAD}")
    for name, tally in by_kind.items():
        print(tally.line(name))
    if total.ms:
        print(total.line("all of these"))
    if foolers.ms:
        print(foolers.line("light dashes"))


def injected(per_minute: float, codec: str | None, options: argparse.Namespace) -> Iterator[Found]:
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    for clip in clips(
        "bench",
        seeds=seeds,
        films=options.films,
        per_minute=per_minute,
        fields=options.fields,
        kinds=options.kinds or None,
        damage_kinds=("white", "black", "noise", "compensated"),
        codecs=(codec,),
    ):
        yield find_losses(clip)


def simulated(per_minute: float, options: argparse.Namespace) -> Iterator[Found]:
    """Varied programmes of the project's own simulator on faulty decks of both standards."""
    for seed in range(options.first_seed, options.first_seed + 4 * options.seeds):
        standard = "525" if seed % 3 else "625"
        rng = np.random.default_rng(seed)
        faults = DeckFaults(
            standard=standard,
            phase_lines=float(rng.uniform(0, 15)),
            skew_ns=float(rng.choice([0, 0, 60, 300])),
            level_ire=tuple(rng.normal(0, 0.5, 4)),
            saturation_pct=tuple(rng.normal(0, 3, 4)),
        )
        damage = Damage((Losses(per_minute=per_minute),), compensated=1.0, two_above=1.0, previous_field=1.0)
        programme = varied_programme(seed, 6.0, standard)
        yield play(render(programme, faults, frames=150, rng=rng, damage=damage if per_minute else None), standard)


def fooled(options: argparse.Namespace) -> Iterator[Found]:
    """The simulator's pictures made to fool detectors; nothing is lost in them."""
    for name, build in SIMULATED_FOOLERS.items():
        for seed in range(options.first_seed, options.first_seed + options.seeds):
            yield play(render(build(seed), frames=45, rng=np.random.default_rng(seed)), name[:14])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--fields", type=int, default=300)
    parser.add_argument("--films", nargs="*", default=[])
    parser.add_argument("--kinds", nargs="*")
    parser.add_argument("--likely", type=float, help="take all candidates from this score, without the second look")
    parser.add_argument("--show", action="store_true", help="print every false alarm")
    parser.add_argument("--parts", nargs="*", default=["many", "few", "mpeg2", "simulator", "foolers"])
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if "many" in options.parts:
        run("600 losses a minute, lossless", injected(600, None, options), options)
    if "few" in options.parts:
        run("6 losses a minute, lossless", injected(6, None, options), options)
    if "clean" in options.parts:
        run("no losses, lossless", injected(0, None, options), options)
    if "mpeg2" in options.parts:
        run("600 losses a minute, intra MPEG-2 at 50 Mb/s", injected(600, "mpeg2", options), options)
    if "simulator" in options.parts:
        run("600 losses a minute, the project's simulator", simulated(600, options), options)
        run("no losses, the project's simulator", simulated(0, options), options)
    if "foolers" in options.parts:
        run("no losses, pictures made to fool", fooled(options), options)


if __name__ == "__main__":
    main()
