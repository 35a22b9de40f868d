"""Clips of varied moving footage with injected losses, in two splits that share no picture: development and bench."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from detect.measure.cuts import CutFinder
from detect.measure.fields import Field, Frame, SampleFormat
from detect.measure.loss_score import COLUMNS
from detect.measure.losses import LossFinder
from synthetic_clips.render import Tape
from tests import losses_material as m
from tests.losses_light import LIGHTS

KINDS = (
    "still",
    "pan",
    "whip",
    "zoom",
    "street",
    "cartoon",
    "credits",
    "credits_over",
    "caption",
    "drawn",
    "glints",
    "water",
    "rain",
    "flash",
    "stripes",
    "snow",
)
FOOLERS = ("glints", "water", *LIGHTS)
"""Pictures that hold dashes of light of their own: reported apart."""


@dataclass(frozen=True)
class Clip:
    name: str
    kind: str
    height: int
    scenes: list[tuple[m.Scene, int]]
    recipe: m.Recipe
    damage: list[m.Damage]
    seed: int
    codec: str | None = None
    every: int = 1
    false_weight: float = 1.0

    @property
    def fields(self) -> int:
        return sum(length for _, length in self.scenes)

    @property
    def minutes(self) -> float:
        return self.fields / float(m.field_rate(m.raster_of(self.height))) / 60


@dataclass
class Found:
    """What a search gave; ``truth`` is what had been injected."""

    height: int
    minutes: float
    name: str = ""
    kind: str = ""
    arrays: dict[str, NDArray[np.generic]] = field(default_factory=dict)
    runs: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    truth: list[m.Damage] = field(default_factory=list)
    ms_per_frame: float = 0.0
    cuts: list[int] = field(default_factory=list)


def scene(kind: str, split: str, rows: int, seed: int, films: Sequence[str] = ()) -> m.Scene:
    """A shot of one kind; the splits differ in the stills and in the half of the film they use."""
    r = np.random.default_rng(seed)
    stills = m.DEVELOPMENT_STILLS if split == "development" else m.BENCH_STILLS

    def moving(speed: float = 1.0) -> m.Scene:
        image = m.still(str(r.choice(stills)))
        return m.pan(
            image,
            rows,
            vx=speed * r.normal(0, 6),
            vy=speed * r.normal(0, 2.5),
            zoom=speed * r.normal(0, 0.003),
            x=r.uniform(-100, 100),
            y=r.uniform(-60, 60),
        )

    def street() -> m.Scene:
        first = int(r.integers(0, 20)) if split == "development" else int(r.integers(125, 140))
        return m.play(
            "street", rows, first=first, hold=int(r.choice([1, 2])), shake=float(r.choice([0, 0, 0.4])), seed=seed
        )

    if kind == "still":
        return moving(0.0)
    if kind == "pan":
        return moving()
    if kind == "whip":
        return m.pan(
            m.still(str(r.choice(stills))),
            rows,
            vx=float(r.choice([-1, 1]) * r.uniform(15, 30)),
            vy=float(r.normal(0, 3)),
        )
    if kind == "zoom":
        return m.pan(
            m.still(str(r.choice(stills))),
            rows,
            vx=0,
            vy=0,
            zoom=float(r.choice([-1, 1]) * r.uniform(0.005, 0.025)),
            turn=float(r.normal(0, 0.3)),
        )
    if kind == "street":
        return street()
    if kind == "cartoon":
        first = int(r.integers(0, 10)) if split == "development" else int(r.integers(60, 70))
        return m.play("cartoon", rows, first=first, hold=int(r.choice([1, 2, 4])), seed=seed)
    if kind == "credits":
        return m.credits(rows, vy=float(r.choice([0.5, 1, 1.5, 2, 3])), seed=seed)
    if kind == "credits_over":
        return m.credits(rows, vy=float(r.choice([1, 2, 3])), seed=seed, over=street())
    if kind == "caption":
        return m.captioned(street(), rows, seed=seed)
    if kind == "drawn":
        return m.drawn(rows, seed=seed, hold=int(r.choice([2, 4, 6])), speed=float(r.uniform(2, 8)))
    if kind == "glints":
        return m.glints(moving(0.3), rows, seed=seed)
    if kind == "water":
        return m.water(rows, seed=seed)
    if kind == "rain":
        return m.rain(street(), rows, seed=seed)
    if kind == "flash":
        return m.flashes(street(), seed=seed)
    if kind == "stripes":
        return m.stripes(
            rows, period=float(r.uniform(4, 20)), vy=float(r.uniform(-2, 2)), slant=float(r.normal(0, 0.1))
        )
    if kind in LIGHTS:
        return LIGHTS[kind](moving(0.3), rows, seed)
    if kind == "snow":
        return m.rain(moving(0.5), rows, seed=seed, count=300)
    return m.play(films[int(r.integers(len(films)))], rows, first=int(r.integers(0, 50)), hold=int(r.choice([1, 2])))


def clips(
    split: str,
    *,
    seeds: range,
    films: Sequence[str] = (),
    per_minute: float = 0.0,
    fields: int = 200,
    kinds: Sequence[str] | None = None,
    damage_kinds: tuple[str, ...] = ("white", "black", "noise"),
    codecs: Sequence[str | None] = (None, None, "mpeg2", None),
    longest_shot: int = 100,
) -> Iterator[Clip]:
    """One clip of each kind and seed: some shots of that kind and, between them, cuts; rasters, noise and banding
    vary."""
    names = list(kinds or KINDS) + (["film"] if films and kinds is None else [])
    for seed in seeds:
        for kind in names:
            number = (*KINDS, "film", *LIGHTS).index(kind)
            r = np.random.default_rng([seed, number, split == "bench"])
            height = int(r.choice([486, 486, 576, 480]))
            scenes, total = [], 0
            while total < fields:
                length = 2 * int(r.integers(longest_shot // 5, longest_shot // 2))
                scenes.append((scene(kind, split, height, int(r.integers(1 << 30)), films), length))
                total += length
            recipe = m.Recipe(
                noise_ire=float(r.choice([0.3, 0.5, 1.0, 1.6])),
                vertical_blur=float(r.choice([0.1, 0.15, 0.25])),
                skew_samples=float(r.choice([0, 0, 2, 4])),
                level_ire=tuple(r.normal(0, 0.5, 4)),  # type: ignore[arg-type]
                phase_lines=float(r.uniform(0, 15)),
                bit_depth=int(r.choice([10, 10, 8])),
            )
            damage = (
                m.random_damage(r, fields=total, lines=height // 2, per_minute=per_minute, kinds=damage_kinds)
                if per_minute
                else []
            )
            yield Clip(
                f"{kind}-{seed}",
                kind,
                height,
                scenes,
                recipe,
                damage,
                seed=seed * 100 + number,
                codec=codecs[(seed + number) % len(codecs)],
                every=2 if split == "development" and (seed + number) % 8 == 5 else 1,
                false_weight=0.03 if kind in FOOLERS else 1.0,
            )


def find_losses(clip: Clip) -> Found:
    """Render the clip and search it."""
    raster = m.raster_of(clip.height)
    rendered = list(m.render(clip.scenes, raster, clip.recipe, clip.damage, clip.seed))
    truth = [d for _, damage in rendered for d in damage]
    frames = [frame for frame, _ in rendered]
    depth = clip.recipe.bit_depth
    if clip.codec:
        frames = m.through(clip.codec, frames, raster)
        depth = 10 if frames[0].fields[0].y.dtype == np.uint16 else 8
    if clip.every > 1:
        frames = frames[:: clip.every]
        truth = [d for d in truth if d.field // 2 % clip.every == 0]
    codec = {"mpeg2": "mpeg2video", None: "ffv1"}.get(clip.codec, str(clip.codec))
    found = search(frames, height=clip.height, depth=depth, codec=codec, minutes=clip.minutes)
    found.name, found.kind, found.truth = clip.name, clip.kind, truth
    return found


WARMING_FRAMES = 12
"""Frames that are searched first, once a process and codec, so that the time of compiling is not that of the first clip."""
_COMPILED_FOR: set[str] = set()


def search(frames: Sequence[Frame], *, height: int, depth: int, codec: str, minutes: float) -> Found:
    """Search frames for losses; CPU time is that of the search and the cuts alone, compiled before."""
    raster = m.raster_of(height)
    if codec not in _COMPILED_FOR:
        _COMPILED_FOR.add(codec)
        blinds = [(scene("stripes", "bench", height, 1), 2 * WARMING_FRAMES)]  # what is done in stripes alone is compiled too
        recipe = m.Recipe(bit_depth=depth)
        striped = [frame for frame, _ in m.render(blinds, raster, recipe, [], 1)]
        for some in (frames[:WARMING_FRAMES], striped):
            search(some, height=height, depth=depth, codec=codec, minutes=minutes)
    samples = SampleFormat(depth, 2, 1, False, True)
    finder = LossFinder(
        samples,
        height=height,
        width=m.WIDTH,
        standard=raster.standard,
        first_line=raster.picture_row0 // 2 + 1,
        codec=codec,
        keep_runs=True,
    )
    cuts, spent = CutFinder(), 0.0
    found = Found(height=height, minutes=minutes)
    for frame in frames:
        start = time.process_time()
        cut = cuts.push(frame)
        finder.push(frame, cut=cut)
        spent += time.process_time() - start
        if cut:
            found.cuts.append(frame.number)
    start = time.process_time()
    found.arrays = finder.finish()
    found.ms_per_frame = 1e3 * (spent + time.process_time() - start) / len(frames)
    found.runs = finder.runs()
    return found


def play(tape: Tape, kind: str) -> Found:
    """Search a tape of the project's own simulator; contrasts are those against the lines above and below."""
    height, top_first = tape.truth.height, tape.truth.top_field_first
    frames: list[Frame] = []
    for number, (y, _, _) in enumerate(tape):
        fields = [
            Field(number, i, row0, y[row0::2].copy(), None, None)
            for i, row0 in enumerate((0, 1) if top_first else (1, 0))
        ]
        frames.append(Frame(number, (fields[0], fields[1])))
    minutes = len(frames) / float(m.raster_of(height).standard.frame_rate) / 60
    found = search(frames, height=height, depth=10, codec="ffv1", minutes=minutes)
    found.name, found.kind = f"{kind}-{tape.truth.programme}", kind
    for d in tape.truth.dropouts:
        y = frames[d["frame"]].fields[d["field"]].y[:, d["x0"] : d["x1"]].astype(float)
        line = d["line"]
        around = (y[max(line - 1, 0)] + y[min(line + 1, len(y) - 1)]) / 2
        contrast = float(np.sqrt(np.mean((y[line] - around) ** 2))) / 8.76
        found.truth.append(m.Damage(2 * d["frame"] + d["field"], line, d["x0"], d["x1"], d["kind"], 1, contrast))
    return found


def match(runs: NDArray[np.float32], truth: list[m.Damage]) -> NDArray[np.int64]:
    """Index of the injected loss each run overlaps, -1 for none."""
    column = {name: i for i, name in enumerate(COLUMNS)}
    place = runs[:, column["frame"]] * 2 + runs[:, column["field"]]
    return _overlap(place, runs[:, column["line"]], runs[:, column["x0"]], runs[:, column["x1"]], truth)


def match_arrays(arrays: dict[str, NDArray[np.generic]], truth: list[m.Damage]) -> NDArray[np.int64]:
    """The same for what ``LossFinder.finish`` gives."""
    a = {name: np.asarray(arrays[name], np.float64) for name in ("frame", "field", "line", "x0", "x1")}
    return _overlap(a["frame"] * 2 + a["field"], a["line"], a["x0"], a["x1"], truth)


def _overlap(place: NDArray, line: NDArray, x0: NDArray, x1: NDArray, truth: list[m.Damage]) -> NDArray[np.int64]:  # type: ignore[type-arg]
    index = np.full(len(place), -1)
    for number, d in enumerate(truth):
        hit = (place == d.field) & (line >= d.line) & (line < d.line + d.lines) & (x0 < d.x1) & (x1 > d.x0)
        index[hit] = number
    return index
