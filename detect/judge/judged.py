"""The file as judging sees it: its windows, sections, programme, and the rows of the picture that are looked at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from detect import timecode
from detect.judge.coded_rows import CHROMA_OF_BLOCK, GRID_ROWS, NOISE_BLOCK_ROWS
from detect.judge.colour_plane import in_subcarrier_plane, turned_in_components
from detect.judge.comb_by_lines import comb_by_lines, mixes_at_boundaries
from detect.judge.decoder_by_noise import lines_by_noise
from detect.judge.doubt import Doubt, of_carrier
from detect.judge.evidence import wheel_found
from detect.judge.head_fit import HeadTerms, fit_heads
from detect.judge.noise_floor import LineLevels
from detect.judge.phase_by_rows import fit_wheel_by_rows
from detect.judge.rows import CHROMA, INDEX, Rows
from detect.judge.sections import KINDS as SECTION_KINDS
from detect.judge.sections import Parts, find_sections
from detect.judge.spoiled import spoiled_rows
from detect.judge.standing import with_standing
from detect.judge.stretch import Gathering, Pooled, fit_windows_alone, pool_windows
from detect.judge.wheel import CHROMA_LINES, DELAY_LINE, View, WheelFit, fit_wheel, lines_combed
from detect.measure.chroma_lines import MOST_APART
from detect.measure.windows import FRAME_FIGURES
from detect.readings import Chunk, Readings
from detect.standards import HEADS, RASTERS, STANDARDS, Standard

F64 = NDArray[np.float64]

JUDGED = [SECTION_KINDS.index("programme"), SECTION_KINDS.index("monochrome_programme")]
COMBED: Doubt = {"response": 1.5, "noise": 0.4}
"""(1 - gain) / gain of response at 3 MHz and of noise where a comb has parted chroma from luminance: the comb makes fine luminance of
several lines too, and what heads differ by there is spread over them (house value)."""
AVERAGED_OVER_PLAIN = 1.2
"""How much better means of chroma lines must fit before such a decoder is believed (house practice)."""
KEEPS_NOISE = 0.1
"""Share of a difference in noise that a carrier may take away, up to which its noise is alike all over the picture (house value)."""
DECODERS = {"525": ("one", "two", "three"), "625": ("one", "two", "apart")}
"""Of ``CHROMA_LINES``, what decoders do. In 625 the subcarrier turns by a quarter from line to line: a comb about a line takes the next but
one."""
BY_NOISE_ALONE = "apart"
"""What steps of colour do not tell: turned by its heads, the colour of 625 lines passes for it."""
SURE_RATIO = 4.0
"""Null ratio from which the phase of the other relations holds for chroma too: wrong lines fit best at a phase of their own (house
value)."""
BESIDE_LINES, BESIDE_STEP = 2.0, 0.5
"""How far from that phase chroma is asked for a better one, in field lines, and in what steps."""
BESIDE_OVER_PHASE = 2.0
"""How much more chroma must explain there (house value: a wrong decoder explains less than the right one at its own phase; what detail and
noise know of the phase is worth less than half of steps that show as clearly)."""
DECODER_ODDS = 8.0
"""... and how much likelier they must be, log likelihood: e^8 to 1 (house practice)."""
DELAY_LINE_ODDS = 2.0
"""The same for the delay line of 625, which all but the simplest decoders have (common practice, no single source)."""


@dataclass(frozen=True, slots=True)
class JudgedFile:
    """The file as judging sees it."""

    readings: Readings
    standard: Standard
    view: View
    height: int
    frames: int
    rate: Fraction
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    programme: NDArray[np.bool_]
    parts: Parts
    start_timecode: str | None
    programme_frames: int
    doubt: Doubt
    levels: LineLevels | None
    """Of the programme; None where coding takes noise away here and not there."""

    def label(self, frame: int) -> str | None:
        if self.start_timecode is None:
            return None
        return timecode.label_after(self.start_timecode, frame, frame_rate=self.rate)


def describe(readings: Readings) -> JudgedFile:
    transfer = readings.header.transfer
    standard = STANDARDS[transfer["standard"]]
    height = int(transfer["height"])
    starts, ends, numbers, figures = [], [], [], []
    for chunk in readings.chunks():
        starts.append(chunk.start_frame)
        ends.append(chunk.end_frame)
        numbers.append(chunk.scalars["frame_numbers"].astype(np.int64))
        figures.append(chunk.scalars["frame_figures"])
    rate = Fraction(transfer["frame_rate"])
    frames = int(transfer["frames"])
    none = np.zeros(0, np.int64)
    start, end = (np.concatenate(x) if x else none for x in (starts, ends))
    parts = find_sections(
        np.concatenate(numbers) if numbers else none,
        np.concatenate(figures) if figures else np.zeros((0, len(FRAME_FIGURES)), np.float32),
        frames=frames,
        frame_rate=rate,
    )
    judged = np.isin(parts.kind, JUDGED)
    programme = np.array([bool(judged[a:b].all()) if b > a else False for a, b in zip(start, end, strict=True)], bool)
    raster = RASTERS[height]
    codec = str(transfer["codec"])
    doubt = of_carrier(codec, _bits_per_sample(transfer, frames))
    chroma_step_y = int(readings.header.measured.get("chroma_step_y", 1))
    view = View(
        raster.picture_row0, height, chroma_step_y, noise_block_rows=NOISE_BLOCK_ROWS.get(codec, 1),
        chroma_of_block=CHROMA_OF_BLOCK.get(codec, 0.0),
    )  # fmt: skip
    first, second = (int(row) for row in readings.header.measured.get("rows0", (0, 1)))
    readings = readings.with_losses(with_standing(readings.losses, readings.cuts, frames, float(standard.lines_per_pass)))
    spoiled = spoiled_rows(readings.losses, rows0=(first, second), height=height, start_frame=start, end_frame=end)
    seen = readings.without(spoiled).through(lambda chunk: in_subcarrier_plane(_on_grid(codec, chunk)))
    return JudgedFile(
        seen, standard, view, height, frames, rate, start, end, programme, parts,
        transfer.get("start_timecode"), int(judged.sum()), doubt, _levels(readings, programme, view, doubt),
    )  # fmt: skip


def _on_grid(codec: str, chunk: Chunk) -> Chunk:
    return replace(chunk, grid_rows=GRID_ROWS.get(codec, 1))


def _bits_per_sample(transfer: Mapping[str, Any], frames: int) -> float:
    """Of the file, for each of its samples of luma; sound counts as well, a few in a hundred."""
    return 8.0 * float(transfer["size_bytes"]) / max(frames * int(transfer["width"]) * int(transfer["height"]), 1)


def _levels(readings: Readings, programme: NDArray[np.bool_], view: View, doubt: Doubt) -> LineLevels | None:
    if doubt.get("noise", 0.0) > KEEPS_NOISE:
        return None
    levels = LineLevels(view)
    for chunk, chosen in readings.chosen(programme):
        levels.add(chunk, chosen)
    return levels


def with_decoder(file: JudgedFile, members: NDArray[np.int64]) -> JudgedFile:
    """In which plane colour turns, and of which lines the decoder made the chroma lines (``CHROMA_LINES``).

    ``members``: windows of one phase. Their noise tells, or else whichever explains better: the same rows are fitted under each decoder;
    lines that are taken as they are win unless another is clearly likelier.
    """
    if not len(members):
        return file
    rows = gathered(file, members).rows()
    names = DECODERS[file.standard.short_name]
    views = {
        name: replace(file.view, chroma_lines=CHROMA_LINES[name], combs=lines_combed(CHROMA_LINES[name], file.standard)) for name in names
    }
    phase = _phase_without_chroma(rows, file.view, file.standard)
    if not file.standard.alternating_v:
        at = fit_wheel(rows, file.view, file.standard).phase_lines if phase is None else phase
        codec = str(file.readings.header.transfer["codec"])
        plain = file.readings.through(lambda chunk: _on_grid(codec, chunk))
        if turned_in_components(plain, mask_of(file, members), file.view, file.standard, at, height=file.height):
            file = replace(file, readings=plain)
            rows = gathered(file, members).rows()
    told = _told_by_noise(file, members, names)
    if told is not None and not file.standard.alternating_v:
        told = _told_by_lines(rows, views, file.standard, phase, told)
    if told is not None:
        return _seen_through(file, views[told])
    views.pop(BY_NOISE_ALONE, None)
    odds = {name: DELAY_LINE_ODDS if _is_delay_line(view, file.standard) else DECODER_ODDS for name, view in views.items()}
    won = won_by_decoder(rows, views, file.standard, phase)
    # a comb that adds lines of the signal turns hue on the lines beside every step of timing, as if lines were taken as they are: there
    # the heads' own steps are asked
    best = _clear_of_plain(won.steps, odds) or _clear_of_plain(won.own, odds)
    if best is not None:
        return _seen_through(file, views[best])
    at = fit_wheel_by_rows(rows, file.view, file.standard).phase_lines if phase is None else phase
    if mixes_at_boundaries(rows, file.view, file.standard, at):
        return _seen_through(file, replace(file.view, combs=2 if file.standard.alternating_v else 1))
    return file


def _seen_through(file: JudgedFile, view: View) -> JudgedFile:
    """The file with chroma lines that a decoder made of several, and what a comb does to luminance in the doubts."""
    combed = {} if _is_delay_line(view, file.standard) else {k: max(share, file.doubt.get(k, 0.0)) for k, share in COMBED.items()}
    return replace(file, view=view, doubt={**file.doubt, **combed})


def _told_by_noise(file: JudgedFile, members: NDArray[np.int64], names: tuple[str, ...]) -> str | None:
    """The decoder that their noise tells, but where a carrier codes blocks or halves the lines; that lines were taken as they are, noise
    cannot tell: it may have been added behind the decoder."""
    if file.view.chroma_step_y > 1 or str(file.readings.header.transfer["codec"]) in GRID_ROWS:
        return None
    products = np.zeros((1 + MOST_APART, 2))
    for chunk, chosen in file.readings.chosen(mask_of(file, members)):
        kept = chunk.scalars.get("line_products")
        if kept is not None:
            products += kept[chosen].sum(axis=0, dtype=np.float64).reshape(products.shape)
    told = lines_by_noise(products, names)
    return None if told == "one" else told


def _told_by_lines(rows: Rows, views: Mapping[str, View], standard: Standard, phase: float | None, told: str) -> str:
    """What the lines beside the head changes say of a comb that noise has told."""
    at = fit_wheel_by_rows(rows, views[told], standard).phase_lines if phase is None else phase
    return comb_by_lines(rows, views["one"], standard, at) or told


def _is_delay_line(view: View, standard: Standard) -> bool:
    """Whether chroma alone was averaged, as in 625; luminance was parted from it along the line."""
    return standard.alternating_v and view.chroma_lines == DELAY_LINE


def _clear_of_plain(won: Mapping[str, float], odds: Mapping[str, float]) -> str | None:
    """The decoder that explains best, if clearly better than lines taken as they are."""
    best = max(won, key=lambda name: won[name])
    return best if won[best] - won["one"] > 2 * odds[best] and won[best] > AVERAGED_OVER_PLAIN * won["one"] else None


def _phase_without_chroma(rows: Rows, view: View, standard: Standard) -> float | None:
    """The phase that all but the chroma relations show, None where they show none beyond doubt."""
    weight = rows.weight.copy()
    weight[[INDEX[name] for name in CHROMA]] = 0.0
    fit = fit_wheel_by_rows(Rows(rows.ratio, weight), view, standard)
    return fit.phase_lines if wheel_found(fit) and fit.null_ratio >= SURE_RATIO else None


class Won(NamedTuple):
    """Chi-square that steps at the heads' boundaries win in saturation and in hue, by decoder.

    ``steps``: those common to all boundaries count too, but in 625, where a scallop makes those of saturation by either decoder.
    ``own``: the heads' own alone.
    """

    steps: Mapping[str, float]
    own: Mapping[str, float]


def won_by_decoder(rows: Rows, views: Mapping[str, View], standard: Standard, phase: float | None) -> Won:
    """What the heads win in chroma as each of ``views`` sees it, at the ``phase`` that all else shows, or at its own.

    A comb fails on the lines beside a boundary at which colour changes, and leaves subcarrier in their luminance: detail and noise then
    step a line before the boundary, or after it. So phases nearby are asked too, and believed where chroma explains far more there than
    it does at ``phase`` under any view.
    """
    won = {name: _won_by_chroma(rows, view, standard, phase) for name, view in views.items()}
    if phase is None:
        return _by_kind(won)
    steps = BESIDE_LINES / BESIDE_STEP
    around = [float(at) for at in phase + BESIDE_STEP * np.arange(-steps, steps + 1)]
    beside = {name: np.max([_won_by_chroma(rows, view, standard, at) for at in around], axis=0) for name, view in views.items()}
    far = np.max(list(beside.values()), axis=0) > BESIDE_OVER_PHASE * np.max(list(won.values()), axis=0)
    return _by_kind({name: np.where(far, beside[name], won[name]) for name in views})


def _by_kind(won: Mapping[str, F64]) -> Won:
    steps, own = ({name: float(both[k]) for name, both in won.items()} for k in (0, 1))
    return Won(steps, own)


def _won_by_chroma(rows: Rows, view: View, standard: Standard, phase: float | None) -> F64:
    """Chi-square by kind, in the order of ``Won``; at ``phase``, or else at the phase that suits the view best: (2,)."""
    if phase is None:
        phase = fit_wheel(rows, view, standard).phase_lines
    terms = {"saturation": HeadTerms(common=True, first_line=standard.alternating_v), "hue": HeadTerms(common=True)}
    fits = [fit_heads(rows, view, standard, relation, phase, of) for relation, of in terms.items()]
    heads = [h for h in fits if h is not None]
    own = sum((HEADS - 1) * h.square_at(standard, phase) for h in heads)
    return np.array([own if standard.alternating_v else sum(h.explained(standard, phase) for h in heads), own], np.float64)


def mask_of(file: JudgedFile, members: NDArray[np.int64]) -> NDArray[np.bool_]:
    mask = np.zeros(len(file.start), bool)
    mask[members] = True
    return mask


def gathered(file: JudgedFile, members: NDArray[np.int64], *, alike: bool = False) -> Gathering:
    """Some windows added up, without any fit; ``alike`` as of ``rows.Pool``."""
    return Gathering.of(file.readings, mask_of(file, members), file.view, file.standard, height=file.height, alike=alike)


def wheel_of(file: JudgedFile, members: NDArray[np.int64], phase: float | None) -> WheelFit:
    """The wheel in some windows, without the figures."""
    return fit_windows_alone(file.readings, mask_of(file, members), file.view, file.standard, height=file.height, phase=phase)


def pool_of(file: JudgedFile, members: NDArray[np.int64], phase: float | None) -> Pooled:
    return pool_windows(
        file.readings, mask_of(file, members), file.view, file.standard, height=file.height, phase=phase, doubt=file.doubt,
        levels=file.levels,
    )  # fmt: skip
