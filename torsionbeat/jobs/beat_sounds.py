"""The sounds of the beats: a night shortened to minutes, and the mean sound (portrait) of a beat.

Input: a recording and the known values of its clock. Output: a sound file with its label track, or the mean sounds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from torsionbeat.beat_sounds.portrait import BeatPortrait
from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.source import Flag
from torsionbeat.errors import CancelledError, DeviceError, InputError
from torsionbeat.jobs.hear import HearRequest, hear
from torsionbeat.reading.analysis import Listening
from torsionbeat.reading.figures import Reading
from torsionbeat.whole_files import written_whole

__all__ = ["DigestRequest", "DigestResult", "PortraitRequest", "digest", "portrait"]

PORTRAIT_BEATS = 100
"""Beats averaged in a portrait, half of them on each side: the mean scatters by a seventh of one beat, 0.6 dB."""


@dataclass(frozen=True, slots=True)
class DigestRequest:
    """The recording to shorten, and how.

    Parameters
    ----------
    recording : Path
        A sound file, or the folder of a night.
    output : Path
        The sound to write, a ``.wav`` or ``.flac``; its label track has the same name and ends in ``.txt``.
    clock : KnownClock
    listening : Listening
    beats : int or None
        Number of beats, spread over the night; None: all.
    levelled : bool
        Bring each beat to the same loudness.
    slower : float
        Factor of slowing down, at the same pitch.
    channel : int or None
        Channel, counted from 0; None: the mean of all.
    reading : Reading or None
        Reading of this recording, if available; None: the recording is analysed.
    """

    recording: Path
    output: Path
    clock: KnownClock = KnownClock()
    listening: Listening = Listening()
    beats: int | None = None
    levelled: bool = False
    slower: float = 1.0
    channel: int | None = None
    reading: Reading | None = None


@dataclass(frozen=True, slots=True)
class DigestResult:
    """The written files, and the reading that they are based on."""

    output: Path
    labels: Path
    beats: int
    duration_s: float
    reading: Reading


@dataclass(frozen=True, slots=True)
class PortraitRequest:
    """The recording whose beats are averaged: fields as in `DigestRequest`."""

    recording: Path
    clock: KnownClock = KnownClock()
    listening: Listening = Listening()
    beats: int | None = PORTRAIT_BEATS
    channel: int | None = None


def digest(
    request: DigestRequest,
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> DigestResult:
    """Write the beats of a recording one after the other.

    Parameters
    ----------
    request : DigestRequest
    progress : callable, optional
        Called with the share of the reading that is done, 0 to 1.
    cancel : Flag, optional

    Raises
    ------
    InputError
        The recording, the output or an option cannot be used.
    NothingHeardError
        No clock is heard in it.
    DeviceError
        The output cannot be written.
    CancelledError
        ``cancel`` was set; no output is left.
    """
    import soundfile

    from torsionbeat.beat_sounds.cuts import beat_cuts
    from torsionbeat.beat_sounds.digest import digest_pieces
    from torsionbeat.sound.recording import open_recording

    if request.output.suffix.lower() not in (".wav", ".flac"):
        raise InputError(
            f"the digest is to be {request.output.name!r}; give a name that ends in .wav or .flac"
        )
    reading = request.reading
    if reading is None:
        reading = _reading(request.recording, request.clock, request.listening, progress, cancel)
    labels_path = request.output.with_suffix(".txt")
    new = request.output.with_name(f".{request.output.name}.new{request.output.suffix}")
    frames = beats = 0
    try:
        with open_recording(request.recording) as recording:
            rate_hz = round(recording.sample_rate_hz)
            cuts = beat_cuts(recording, reading, beats=request.beats, channel=request.channel)
            lines = []
            with soundfile.SoundFile(new, "w", rate_hz, 2, subtype="PCM_16") as out:
                for piece, labels in digest_pieces(
                    cuts, rate_hz, levelled=request.levelled, slower=request.slower
                ):
                    _called_off(cancel)
                    out.write(piece)
                    frames, beats = frames + len(piece), beats + 1
                    lines += [f"{one.start_s:.6f}\t{one.end_s:.6f}\t{one.text}\n" for one in labels]
        with written_whole(labels_path) as part:
            part.write_text("".join(lines), encoding="utf-8")
        new.replace(request.output)
    except (OSError, soundfile.LibsndfileError) as error:
        raise DeviceError(
            f"{request.output} could not be written: {error}; free the disk or give another path"
        ) from error
    finally:
        new.unlink(missing_ok=True)
    return DigestResult(request.output, labels_path, beats, frames / rate_hz, reading)


def portrait(
    request: PortraitRequest,
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> BeatPortrait:
    """Average the beats of a recording, each side separately.

    Parameters
    ----------
    request : PortraitRequest
    progress : callable, optional
        Called with the share of the reading that is done, 0 to 1.
    cancel : Flag, optional

    Raises
    ------
    InputError
        The recording or an option cannot be used.
    NothingHeardError
        No clock is heard in it.
    CancelledError
        ``cancel`` was set.
    """
    from torsionbeat.beat_sounds.cuts import beat_cuts
    from torsionbeat.beat_sounds.portrait import portrait_of
    from torsionbeat.sound.recording import open_recording

    reading = _reading(request.recording, request.clock, request.listening, progress, cancel)
    with open_recording(request.recording) as recording:
        cuts = beat_cuts(recording, reading, beats=request.beats, channel=request.channel)
        return portrait_of(reading.clock.name or recording.name, cuts, recording.sample_rate_hz)


def _reading(
    path: Path,
    known: KnownClock,
    listening: Listening,
    progress: Callable[[float], None] | None,
    cancel: Flag | None,
) -> Reading:
    asked = HearRequest((path,), known, listening)
    return hear(asked, progress=progress, cancel=cancel).analysis.reading


def _called_off(cancel: Flag | None) -> None:
    if cancel is not None and cancel.is_set():
        raise CancelledError("this was called off; nothing of it was kept")
