"""The wheel over the file: stretches of one phase, settled against each other, and the re-locks between them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detect.findings import Finding, WheelState
from detect.judge.causes import causes_for
from detect.judge.evidence import wheel_found
from detect.judge.judged import JudgedFile, gathered, pool_of, with_decoder
from detect.judge.relocking import find_border
from detect.judge.seen_in_part import seen_in_part
from detect.judge.stretch import Gathering, Pooled
from detect.judge.tracking import drifting, fit_curve, track, window_groups
from detect.judge.wheel import WheelFit, fit_wheel, phase_lattice
from detect.standards import Standard

SAME_PHASE_STEPS = 4
"""Steps of the phase lattice (an eighth of a line in 525) that weak windows may wander without being told apart."""
SAME_PHASE_LINES = 0.3
"""Phases nearer than this are one: confident fits stay within a tenth of a line of the truth."""
RELOCK_RATIO = 8.0
"""By how much the null ratio of either stretch must be above what it is at the other's phase before a re-lock is told: a mere majority
(``JOINT_RATIO``) is met by content now and then, and one shot with a scallop of four samples reached 8.4 a line off, 7.2 at the true
phase. Re-locks reach many times this (docs/evidence.md)."""
AT_A_CUT_FRAMES = 3
"""A re-lock this near to a cut is at the cut."""
UNSURE = "; at a cut, and on one side of it seen in one picture only, so unconfirmed"
FEWEST_WINDOWS = 2
"""A new phase that lasts fewer windows is a slip of tracking, not a re-lock."""


def wheel_stretches(file: JudgedFile) -> list[NDArray[np.int64]]:
    """Windows of programme, split where the phase changes; those of a picture that drifts as no wheel does are left out."""
    index: list[int] = []
    curves = []
    for w, group in window_groups(file.readings.chunks(), file.programme):
        index.append(w)
        curves.append(fit_curve(group.rows, file.view, file.standard).astype(np.float32))
    if not index:
        return []
    members = np.array(index, np.int64)
    curve = np.stack(curves).astype(np.float64)
    path = track(curve)
    stands = ~drifting(curve, path, file.standard)
    members, path = members[stands], path[stands]
    if not len(members):
        return []
    splits = np.flatnonzero(np.abs(_turns(path, len(phase_lattice(file.standard)))) > SAME_PHASE_STEPS) + 1
    parts = [p for p in np.split(members, splits) if len(p)]
    kept: list[NDArray[np.int64]] = []
    early: list[NDArray[np.int64]] = []
    for part in parts:  # slips join the stretch before them, or the first real one
        if len(part) >= FEWEST_WINDOWS:
            kept.append(np.concatenate([*early, part]))
            early = []
        elif kept:
            kept[-1] = np.concatenate([kept[-1], part])
        else:
            early.append(part)
    return kept or [members]


def stretches_by_decoder(plain: JudgedFile) -> tuple[JudgedFile, list[NDArray[np.int64]]]:
    """The file as its decoder made it, told from the longest stretch of one phase, and its stretches."""
    parts = wheel_stretches(plain)
    file = with_decoder(plain, max(parts, key=len, default=np.zeros(0, np.int64)))
    return file, parts if file.view == plain.view else wheel_stretches(file)


def settled(file: JudgedFile, parts: list[NDArray[np.int64]]) -> list[tuple[NDArray[np.int64], Pooled]]:
    """Fit each stretch; neighbours stay apart only where both surely have a wheel, and not the same one.

    Where a whole stretch shows none for sure, a part of it may.
    """
    out: list[_Stretch] = []
    for part in parts:
        now = _within(file, part)
        while out:
            before = out.pop()
            two = _parted(file, before, now)
            if two is not None:
                out.append(two[0])
                now = two[1]
                break
            before.seen.add(now.seen)
            now = _Stretch.of(file, np.concatenate([before.members, now.members]), before.seen)
        out.append(now)
    pools = [(s.members, seen_in_part(file, s.members, pool_of(file, s.members, None))) for s in out]
    return _joined_where_alike(file, pools)


def _joined_where_alike(file: JudgedFile, pools: list[tuple[NDArray[np.int64], Pooled]]) -> list[tuple[NDArray[np.int64], Pooled]]:
    """Neighbours that turn out to stand at one phase, all rows considered, are one stretch."""
    kept: list[tuple[NDArray[np.int64], Pooled]] = []
    for members, pool in pools:
        if kept and wheel_found(kept[-1][1].fit) and wheel_found(pool.fit) and _alike(kept[-1][1].fit, pool.fit, file.standard):
            together = np.concatenate([kept[-1][0], members])
            kept[-1] = together, seen_in_part(file, together, pool_of(file, together, None))
        else:
            kept.append((members, pool))
    return kept


def _alike(one: WheelFit, other: WheelFit, standard: Standard) -> bool:
    return abs(standard.phase_change_lines(one.phase_lines, other.phase_lines)) <= SAME_PHASE_LINES


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Windows, what they add up to, and the wheel in them."""

    members: NDArray[np.int64]
    seen: Gathering
    fit: WheelFit

    @classmethod
    def of(cls, file: JudgedFile, members: NDArray[np.int64], seen: Gathering) -> _Stretch:
        return cls(members, seen, fit_wheel(seen.rows(), file.view, file.standard))

    def surer_than_at(self, phase: float, standard: Standard) -> bool:
        """It shows a wheel of its own, and not at another phase as well."""
        there = int(np.argmin(np.abs(phase_lattice(standard) - phase)))
        above = self.fit.null_ratio * (1 - self.fit.joint_curve[there] / max(self.fit.joint, 1e-9))
        return wheel_found(self.fit) and bool(above >= RELOCK_RATIO)


def _parted(file: JudgedFile, before: _Stretch, after: _Stretch) -> tuple[_Stretch, _Stretch] | None:
    """Both, where both surely have a wheel and not the same one: as they are, or without the windows where they meet."""
    if _apart(before, after, file.standard):
        return before, after
    shorter = _within(file, before.members[:-1]) if len(before.members) > FEWEST_WINDOWS else None
    later = _within(file, after.members[1:]) if len(after.members) > FEWEST_WINDOWS else None
    for one, other in ((shorter, after), (before, later), (shorter, later)):
        if one is not None and other is not None and _apart(one, other, file.standard):
            return one, other
    return None


def _within(file: JudgedFile, members: NDArray[np.int64]) -> _Stretch:
    return _Stretch.of(file, members, gathered(file, members))


def _apart(before: _Stretch, after: _Stretch, standard: Standard) -> bool:
    one, other = before.fit.phase_lines, after.fit.phase_lines
    step = standard.phase_change_lines(one, other)
    return abs(step) > SAME_PHASE_LINES and before.surer_than_at(other, standard) and after.surer_than_at(one, standard)


def _turns(path: NDArray[np.int64], phases: int) -> NDArray[np.int64]:
    """Steps of phase from window to window, the short way round."""
    step = np.diff(path)
    return np.asarray((step + phases // 2) % phases - phases // 2)


def wheel_state(start: int, end: int, pooled: Pooled) -> WheelState:
    fit = (pooled.anchor or pooled).fit
    return WheelState(
        start_frame=start,
        end_frame=end,
        phase_lines=fit.phase_lines if pooled.locked else None,
        phase_sigma_lines=fit.phase_sigma_lines if pooled.locked else None,
        locked=pooled.locked,
        significance=fit.joint,
        null_ratio=fit.null_ratio,
    )


def left_out(file: JudgedFile, seen: list[NDArray[np.int64]]) -> list[NDArray[np.int64]]:
    """Runs of windows of programme that belong to no stretch."""
    apart = file.programme.copy()
    for members in seen:
        apart[members] = False
    index = np.flatnonzero(apart)
    return [run for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1) if len(run)]


def without_wheel(file: JudgedFile, runs: list[NDArray[np.int64]], wheel: list[WheelState]) -> list[WheelState]:
    """Runs of windows that show no wheel as states, but those within a known stretch."""
    spans = [(int(file.start[run[0]]), int(file.end[run[-1]])) for run in runs]
    return [
        WheelState(
            start_frame=a, end_frame=b, phase_lines=None, phase_sigma_lines=None, locked=False, significance=None, null_ratio=None
        )
        for a, b in spans if not any(s.start_frame <= a < s.end_frame for s in wheel)
    ]  # fmt: skip


def joined(wheel: list[WheelState]) -> list[WheelState]:
    """Neighbouring stretches without a known wheel are one."""
    out: list[WheelState] = []
    for state in sorted(wheel, key=lambda s: s.start_frame):
        if out and not state.locked and not out[-1].locked:
            out[-1] = out[-1].model_copy(update={"end_frame": state.end_frame})
        else:
            out.append(state)
    return out


def _change(file: JudgedFile, before: tuple[NDArray[np.int64], Pooled], after: tuple[NDArray[np.int64], Pooled]) -> int:
    """The frame of a re-lock: at a cut, if one lies within its error."""
    border = find_border(file.readings, before, after, file.view, file.standard, start_frame=file.start, end_frame=file.end)
    near = min((int(c) for c in file.readings.cuts), key=lambda c: abs(c - border.frame), default=border.frame)
    return near if abs(near - border.frame) <= 3 * border.sigma_frames + AT_A_CUT_FRAMES else border.frame


def relocks_of(
    file: JudgedFile, wheel: list[WheelState], pools: list[tuple[NDArray[np.int64], Pooled]]
) -> tuple[list[WheelState], list[Finding]]:
    """Changes of phase between known wheels.

    One at a cut, with a single picture on either side, is not confirmed: bands of two pictures look the same.
    """
    wheel = list(wheel)
    out = []
    for k, (before, after) in enumerate(itertools.pairwise(wheel)):
        if before.phase_lines is None or after.phase_lines is None:
            continue
        step = file.standard.phase_change_lines(before.phase_lines, after.phase_lines)
        at = _change(file, pools[k], pools[k + 1])
        sure = at not in file.readings.cuts or all(pool.confirmed for _, pool in pools[k : k + 2])
        wheel[k] = wheel[k].model_copy(update={"end_frame": at})
        wheel[k + 1] = after.model_copy(update={"start_frame": at})
        text = f"The wheel stands at another phase from here on ({step:+.2f} lines); heads are lettered anew{'' if sure else UNSURE}."
        out.append(
            Finding(
                id="", kind="relock", start_frame=at, end_frame=min(at + 1, file.frames), start_timecode=file.label(at),
                end_timecode=file.label(at + 1), affected_pct=0.0, heads=[], value=float(step), unit="lines",
                sigma=float(np.hypot(before.phase_sigma_lines or 0, after.phase_sigma_lines or 0)),
                significance=min(before.null_ratio or 0, after.null_ratio or 0), status="confirmed" if sure else "unconfirmed",
                severity="note", text=text, causes=causes_for("relock"),
            )
        )  # fmt: skip
    return wheel, out


def within(finding: Finding, members: NDArray[np.int64], state: WheelState, file: JudgedFile) -> Finding | None:
    """A finding of some windows kept to their stretch of the wheel, whose letters it has; None where nothing is left.

    Windows may hold both sides of a re-lock: what begins or ends with them begins or ends there.
    """
    first, after = int(file.start[members[0]]), int(file.end[members[-1]])
    start = state.start_frame if finding.start_frame == first else max(finding.start_frame, state.start_frame)
    end = state.end_frame if finding.end_frame == after else min(finding.end_frame, state.end_frame)
    if (start, end) == (finding.start_frame, finding.end_frame):
        return finding
    if end <= start:
        return None
    return finding.model_copy(
        update={
            "start_frame": start,
            "end_frame": end,
            "start_timecode": file.label(start),
            "end_timecode": file.label(end),
            "affected_pct": 100 * (end - start) / max(file.programme_frames, 1),
            "evidence": finding.evidence and finding.evidence.model_copy(update={"frame": (start + end) // 2}),
        }
    )
