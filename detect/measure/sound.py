"""The sound of a transfer in one pass beside the picture: steady tones on every channel, and timecode on one of them."""

from __future__ import annotations

from dataclasses import dataclass

from detect.measure.audio import AudioBlock, audio_tracks
from detect.measure.fields import Transfer
from detect.measure.ltc import Ltc, LtcReader
from detect.measure.tones import ToneMeter, ToneReading


@dataclass(frozen=True, slots=True)
class SoundReading:
    """Steady tones by channel and time, and the timecode of the channel that holds most of it."""

    tones: tuple[ToneReading, ...]
    ltc: Ltc | None


class SoundMeter:
    """Feed blocks of any stream in order of time with ``push``; memory does not grow with the tape."""

    def __init__(self, transfer: Transfer) -> None:
        """Raises CannotRead where the file can no longer be opened."""
        self.tracks = audio_tracks(transfer)
        self._tones = {t.number: ToneMeter(t.sample_rate_hz, t.channels, first_channel=t.first_channel) for t in self.tracks}
        self._ltc = {t.number: [LtcReader(transfer, t, c) for c in range(t.channels)] for t in self.tracks}

    def push(self, block: AudioBlock) -> None:
        self._tones[block.track.number].push(float(block.start_s), block.samples)
        for reader in self._ltc[block.track.number]:
            reader.push(block)

    def finish(self) -> SoundReading:
        heard = [ltc for readers in self._ltc.values() for ltc in (r.found() for r in readers) if ltc is not None]
        return SoundReading(
            tones=tuple(tone for meter in self._tones.values() for tone in meter.tones()),
            ltc=max(heard, key=lambda ltc: sum(run.words for run in ltc.runs), default=None),
        )
