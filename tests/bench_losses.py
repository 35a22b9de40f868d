"""``python -m tests.bench_losses``: how well losses are found on footage the score was not fitted to.

Prints recall of injected losses, false alarms on the same clips and on clean ones, errors of the measured lengths, and CPU time, by
kind of picture. Fresh seeds: ``--first-seed``. A loss counts as visible when it changes the picture by ``VISIBLE_IRE`` rms.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.judge.limits import default_limits
from detect.judge.loss_choice import choose_losses
from detect.judge.loss_findings import LEAST_TOLD
from detect.judge.patterns import rate_per_minute
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


MINUTE = 1.0


@dataclass
class Tally:
    """What was found in the clips of one kind, laid end to end."""

    visible: int = 0
    visible_found: int = 0
    compensated: int = 0
    compensated_found: int = 0
    put_in: int = 0
    true_runs: int = 0
    told: int = 0
    false: list[int] = field(default_factory=list)
    minutes: list[float] = field(default_factory=list)
    errors_us: list[float] = field(default_factory=list)
    ms: list[float] = field(default_factory=list)

    def add(self, found: Found, likely: float | None) -> None:
        index = match_arrays(found.arrays, found.truth)
        taken = taken_of(found, likely)
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
        false = len(np.unique(np.asarray(found.arrays["run"])[taken & (index < 0)]))
        low = rate_per_minute(false, found.minutes)[1]
        self.told += false >= LEAST_TOLD and low > default_limits().note("dropouts_per_minute")
        self.put_in += len(found.truth)
        self.true_runs += len(hit)
        self.false.append(false)
        self.minutes.append(found.minutes)
        self.ms.append(found.ms_per_frame)

    def worst_minute(self) -> float:
        """False ones in the worst stretch of clips in a row that lasts a minute or just over (all, if they last less)."""
        worst = 0.0
        for first in range(len(self.false)):
            last, minutes = first, 0.0
            while last < len(self.false) and minutes < MINUTE:
                minutes += self.minutes[last]
                last += 1
            if minutes >= MINUTE or first == 0:
                worst = max(worst, sum(self.false[first:last]) / minutes)
        return worst

    def line(self, name: str) -> str:
        def share(found: int, of: int) -> str:
            return f"{found / of:.3f} ({of})" if of else "-"

        false, minutes = sum(self.false), sum(self.minutes)
        errors = np.abs(self.errors_us)
        length = f"{np.median(errors):.2f} / {np.quantile(errors, 0.9):.2f}" if len(errors) else "-"
        cells = [
            name,
            share(self.visible_found, self.visible),
            share(self.compensated_found, self.compensated),
            share(self.true_runs, self.true_runs + false) if self.put_in else "-",
            f"{false / minutes:.1f}",
            f"{self.worst_minute():.1f}",
            str(self.told),
            f"{minutes:.2f}",
            length,
            f"{np.mean(self.ms):.1f}",
        ]
        return "| " + " | ".join(cells) + " |"


HEAD = (
    "| picture | visible found | compensated found | precision | false a minute | worst minute | clips with a false finding "
    "| minutes | length error, median / 90 % us | CPU ms a frame |\n|" + "---|" * 10
)


def taken_of(found: Found, likely: float | None) -> NDArray[np.bool_]:
    """The candidates that are taken for losses, without a wheel; all from the score ``likely`` where that is given."""
    if likely is not None:
        return np.asarray(np.asarray(found.arrays["score"], float) >= likely)
    rate = float(m.raster_of(found.height).standard.frame_rate)
    return choose_losses(found.arrays, cuts=np.array(found.cuts, int), frame_rate=rate)


def table(title: str, tapes: Iterable[Found], options: argparse.Namespace) -> str:
    """One part of the bench as a table in Markdown."""
    by_kind: dict[str, Tally] = defaultdict(Tally)
    total, light = Tally(), Tally()
    for found in tapes:
        by_kind[found.kind].add(found, options.likely)
        (light if found.kind in FOOLERS else total).add(found, options.likely)
        if options.show:
            index = match_arrays(found.arrays, found.truth)
            for i in np.flatnonzero(taken_of(found, options.likely) & (index < 0)):
                print("   false", found.name, {k: round(float(v[i]), 2) for k, v in found.arrays.items()})
    rows = [tally.line(name) for name, tally in by_kind.items()]
    for name, tally in (("**all of these**", total), ("**light of the picture's own**", light)):
        rows += [tally.line(name)] if tally.ms and len(by_kind) > 1 else []
    return "\n".join([f"{title}:\n", HEAD, *rows])


def injected(
    per_minute: float, codec: str | None, options: argparse.Namespace, kinds: Sequence[str] | None = None
) -> Iterator[Found]:
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    for clip in clips(
        "bench",
        seeds=seeds,
        films=options.films,
        per_minute=per_minute,
        fields=options.fields,
        kinds=kinds or options.kinds or None,
        damage_kinds=("white", "black", "noise", "compensated"),
        codecs=(codec,),
    ):
        yield find_losses(clip)


def repeated(per_minute: float, codec: str | None, options: argparse.Namespace) -> Iterator[Found]:
    """Compensated losses alone, by the noise of the tape: what noise is left decides whether repeats can be told."""
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    for clip in clips(
        "bench", seeds=seeds, films=options.films, per_minute=per_minute, fields=options.fields,
        kinds=options.kinds or None, damage_kinds=("compensated",), codecs=(codec,),
    ):  # fmt: skip
        found = find_losses(clip)
        if found.kind not in FOOLERS:  # light of the picture's own is told apart, as in the other parts
            found.kind = f"noise of {clip.recipe.noise_ire} IRE"
        yield found


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
    """The simulator's pictures made to fool detectors; nothing is lost in them.

    Each has seeds of its own: the simulator takes the noise of every line from a bank of two million samples, and once in some thousands
    of frames two neighbouring lines get the same piece, which repeats indeed.
    """
    for number, (name, build) in enumerate(SIMULATED_FOOLERS.items()):
        first = options.first_seed + number * options.seeds
        for seed in range(first, first + options.seeds):
            yield play(render(build(seed), frames=45, rng=np.random.default_rng(seed)), name[:14])


PARTS: dict[str, tuple[str, Callable[[argparse.Namespace], Iterator[Found]]]] = {
    "many": ("600 losses a minute, lossless", lambda o: injected(600, None, o)),
    "few": ("6 losses a minute, lossless", lambda o: injected(6, None, o)),
    "clean": ("No losses, lossless", lambda o: injected(0, None, o)),
    "mpeg2": ("600 losses a minute, intra MPEG-2 at 50 Mb/s", lambda o: injected(600, "mpeg2", o)),
    "repeats": (
        "1200 compensated losses a minute, intra MPEG-2 at 50 Mb/s, by the noise of the tape",
        lambda o: repeated(1200, "mpeg2", o),
    ),
    "repeats_clean": (
        "No losses, intra MPEG-2 at 50 Mb/s, by the noise of the tape",
        lambda o: repeated(0, "mpeg2", o),
    ),
    "light": ("Light of the picture's own, no losses, lossless", lambda o: injected(0, None, o, LIGHT_KINDS)),
    "light_many": (
        "Light of the picture's own, 600 losses a minute, lossless",
        lambda o: injected(600, None, o, LIGHT_KINDS),
    ),
    "simulator": ("600 losses a minute, the project's simulator", lambda o: simulated(600, o)),
    "simulator_clean": ("No losses, the project's simulator", lambda o: simulated(0, o)),
    "foolers": ("No losses, the simulator's pictures made to fool", fooled),
}
"""Title and clips of each part."""
LIGHT_KINDS = FOOLERS
USUAL = ("many", "few", "mpeg2", "light", "simulator", "simulator_clean", "foolers")


def tables(
    *, seeds: int = 3, first_seed: int = 1000, fields: int = 300, parts: Sequence[str] = USUAL, films: Sequence[str] = ()
) -> str:
    """What the command prints, as Markdown: one table for each of ``parts`` (keys of PARTS)."""
    options = argparse.Namespace(
        seeds=seeds, first_seed=first_seed, fields=fields, films=list(films), kinds=None, likely=None, show=False
    )
    cv2.setNumThreads(1)
    return "\n\n".join(table(PARTS[name][0], PARTS[name][1](options), options) for name in parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--fields", type=int, default=300)
    parser.add_argument("--films", nargs="*", default=[])
    parser.add_argument("--kinds", nargs="*")
    parser.add_argument("--likely", type=float, help="take all candidates from this score, without the second look")
    parser.add_argument("--show", action="store_true", help="print every false alarm")
    parser.add_argument("--parts", nargs="*", default=list(USUAL), choices=list(PARTS))
    options = parser.parse_args()
    cv2.setNumThreads(1)
    for name in options.parts:
        title, play_all = PARTS[name]
        print("\n" + table(title, play_all(options), options), flush=True)


if __name__ == "__main__":
    main()
