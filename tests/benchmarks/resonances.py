"""Recordings by a second simulator, which shares nothing with the twin: another make finds other faults.

Sounds are sums of damped resonances, and each beat of a side sounds the same; the balance swings as a sine; the room is a tail of
noise that decays; noise may swell and fade. Beside the clock may be another one, talk and clicks. A sound begins where its
energy first passes 2 % of its peak, as in `real_ticks`. ``phone``: the recording as a phone keeps it, with automatic gain or
noise reduction, and through MP3, Vorbis, Opus or 8 kHz. Even seeds are the open half, odd ones are set aside.
"""

from __future__ import annotations

import io
from dataclasses import replace
from math import gcd

import numpy as np
import soundfile
from real_ticks import BEGINS, Recording, bright, place, smoothed
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

from torsionbeat.twin.swing import Beat
from torsionbeat.twin.truth import Events, Truth

LONGEST_S = 1500.0
NOMINALS_S, SHARES = (60.0, 20.0, 15.0, 12.0, 7.5, 6.0), (0.4, 0.1, 0.2, 0.2, 0.05, 0.05)
CODECS = {"mp3": ("MP3", "MPEG_LAYER_III"), "vorbis": ("OGG", "VORBIS"), "opus": ("OGG", "OPUS")}
_FRAME_S = 0.002
"""Step of the automatic gain."""


def make(seed: int, *, with_clock: bool = True, phone: bool = False) -> Recording:
    """One recording; the same seed gives the same samples."""
    rng = np.random.default_rng([seed, 4242])
    rate_hz = int(rng.choice([16_000, 22_050, 44_100, 48_000], p=[0.35, 0.35, 0.15, 0.15]))
    nominal_s = float(rng.choice(NOMINALS_S, p=SHARES))
    duration_s = min(float(np.exp(rng.uniform(np.log(6), np.log(60)))) * nominal_s, LONGEST_S)
    truth, lift_deg, offset_db, told = _swings(rng, nominal_s, duration_s)
    dry, drop = _sounds(rng, truth, offset_db, rate_hz)
    way = _way(rng, rate_hz)
    count = len(dry)
    heard = fftconvolve(drop, way)
    top = bright(heard, rate_hz).max()
    level_db = float(rng.uniform(14, 42))
    noise = _noise(rng, count, rate_hz)
    unit = np.median(bright(noise[: 30 * rate_hz], rate_hz))
    sound = noise * np.sqrt(top / 10 ** (level_db / 10) / unit)
    if with_clock:
        sound += fftconvolve(dry, way)[:count]
    told += _others(rng, sound, rate_hz, way, float(np.sqrt(top)))
    made = Recording(
        _scaled(sound, 0.3), truth, nominal_s, lift_deg, level_db, f"{rate_hz} Hz, {told}", rate_hz
    )
    return _by_phone(made, np.random.default_rng([seed, 99])) if phone else made


def _swings(
    rng: np.random.Generator, nominal_s: float, duration_s: float
) -> tuple[Truth, float | None, float, str]:
    """Truth, lift (None: no contact is heard), mean level of a contact against its drop, and what was chosen."""
    period_s = nominal_s * (1 + 2e-4 * float(rng.standard_normal()))
    first_deg = float(rng.uniform(450, 620) if nominal_s == 60 else rng.uniform(200, 420))
    lift_deg = float(rng.uniform(8, 26))
    offset_deg = 0.5 * float(rng.uniform(-1, 1) * rng.choice([1, 4, 10]))
    lost = float(rng.normal(0, 0.02 if rng.random() < 0.7 else 0.2)) * duration_s / 3600
    jitter_s = float(np.exp(rng.uniform(np.log(2e-4), np.log(3e-3))))
    contacts, silent = rng.random() < 0.85, rng.random() < 0.08
    contact_db = -float(rng.uniform(0, 18))
    start_s = float(rng.uniform(0, period_s / 2))
    beats, rows = [], []
    number_of = int((duration_s - start_s) / period_s * 2) + 1
    for number in range(number_of):
        side, sign = "ab"[number % 2], -1 if number % 2 else 1
        arc_deg = first_deg * (1 - lost * number / number_of)
        share = (np.array([-lift_deg, 0.0, lift_deg]) + 2 * sign * offset_deg) / arc_deg
        if np.any(np.abs(share) >= 1):
            continue
        times = start_s + number * period_s / 2 + period_s / (2 * np.pi) * np.arcsin(share)
        contact_s, middle_s, drop_s = times.tolist()
        if drop_s < 0.02 or drop_s > duration_s - 0.2:
            continue
        turn_s = start_s + (number + 0.5) * period_s / 2
        beats.append(
            Beat(
                number,
                side,
                contact_s,
                np.nan,
                middle_s,
                drop_s,
                turn_s,
                arc_deg,
                2 * sign * offset_deg,
                0.0,
            )
        )
        heard = contacts and not (silent and side == "b") and contact_s > 0.02
        for kind, time_s in (("contact", contact_s),) * heard + (("drop", drop_s),):
            rows.append((time_s + jitter_s * float(rng.standard_normal()), time_s, side, kind))
    rows.sort()
    time_s, clean_s, sides, kinds = zip(*rows, strict=True)
    levels = np.where(np.array(kinds) == "contact", contact_db, 0.0)
    events = Events(np.array(time_s), np.array(clean_s), np.array(sides), np.array(kinds), levels)
    told = f"{nominal_s:g} s, arc {first_deg:.0f}, lift {lift_deg:.0f}, contact {contact_db:.0f} dB"
    told += f", jitter {1e3 * jitter_s:.1f} ms"
    told += "" if contacts else ", drops alone"
    told += ", one side without contacts" if contacts and silent else ""
    return Truth(tuple(beats), events, duration_s, {}), lift_deg if contacts else None, contact_db, told


def _sounds(
    rng: np.random.Generator, truth: Truth, contact_db: float, rate_hz: int
) -> tuple[np.ndarray, np.ndarray]:
    """The clock's sounds without room, and its first drop by itself, a second long."""
    alike = rng.random() < 0.7
    made = {}
    for kind in ("drop", "contact"):
        first = _tick(rng, rate_hz, rng.random() < 0.6)
        other = _tick(rng, rate_hz, True)
        made[kind] = (first, 0.8 * first + 0.3 * other if alike else other * rng.uniform(0.5, 1))
    spread_db = float(rng.uniform(0.3, 2.5))
    count = int(truth.duration_s * rate_hz)
    dry = np.zeros(count)
    events = truth.events
    for time_s, side, kind, level in zip(
        events.time_s, events.side, events.kind, events.level_db, strict=True
    ):
        piece = made[str(kind)][int(side == "b")]
        gain = 10 ** ((level + spread_db * float(rng.standard_normal())) / 20)
        place(dry, piece * gain, time_s, _begins_s(piece, rate_hz), rate_hz)
    alone = np.zeros(rate_hz)
    alone[1000 : 1000 + len(made["drop"][0])] = made["drop"][0]
    return dry, alone


def _tick(rng: np.random.Generator, rate_hz: int, bright: bool) -> np.ndarray:
    """A sum of damped resonances with a rise of its own and some noise, peak 1."""
    time_s = np.arange(int(0.12 * rate_hz)) / rate_hz
    out = np.zeros(len(time_s))
    lowest_hz, highest_hz = 1500 if bright else 700, min(9000, 0.42 * rate_hz)
    for _ in range(int(rng.integers(2, 6))):
        tone_hz = np.exp(rng.uniform(np.log(lowest_hz), np.log(highest_hz)))
        decay_s = np.exp(rng.uniform(np.log(0.001), np.log(0.012)))
        out += (
            rng.uniform(0.3, 1)
            * np.exp(-time_s / decay_s)
            * np.sin(2 * np.pi * tone_hz * time_s + rng.uniform(0, 2 * np.pi))
        )
    out *= 1 - np.exp(-time_s / np.exp(rng.uniform(np.log(5e-5), np.log(1.5e-3))))
    decay_s = np.exp(rng.uniform(np.log(0.0008), np.log(0.006)))
    out += rng.uniform(0, 0.5) * rng.standard_normal(len(time_s)) * np.exp(-time_s / decay_s)
    return out / np.abs(out).max()


def _begins_s(piece: np.ndarray, rate_hz: int) -> float:
    power = smoothed(piece**2, 0.001, rate_hz)
    return int(np.flatnonzero(power > BEGINS * power.max())[0]) / rate_hz


def _way(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    """The direct sound, then a tail of noise that decays."""
    time_s = np.arange(rate_hz // 2) / rate_hz
    way = rng.standard_normal(len(time_s)) * 10 ** (-3 * time_s / rng.uniform(0.1, 0.6))
    way[time_s < 0.002] = 0
    way *= 10 ** (-rng.uniform(0, 22) / 20) / np.sqrt(np.sum(way**2))
    way[0] = 1
    return way


def _noise(rng: np.random.Generator, count: int, rate_hz: int) -> np.ndarray:
    """Hiss with more of the low tones, which may swell and fade by 9 dB."""
    low = butter(1, rng.uniform(200, 3000), fs=rate_hz, output="sos")
    noise = rng.uniform(0.05, 1) * rng.standard_normal(count) + 3 * sosfilt(low, rng.standard_normal(count))
    if rng.random() < 0.3:
        noise *= 1 + 0.5 * np.sin(2 * np.pi * np.arange(count) / rate_hz / rng.uniform(5, 60))
    return noise


def _others(
    rng: np.random.Generator, sound: np.ndarray, rate_hz: int, way: np.ndarray, drop_rms: float
) -> str:
    """Another clock, talk, clicks: added in place; what was added."""
    count, duration_s, told = len(sound), len(sound) / rate_hz, ""
    if rng.random() < 0.3:
        interval_s = float(rng.choice([0.2, 0.25, 0.4, 0.5, 0.6, 1.0]))
        ticks = _tick(rng, rate_hz, True), _tick(rng, rate_hz, True)
        limp_s, other = float(rng.uniform(0, 0.05)) * interval_s, np.zeros(count)
        for number in range(int(duration_s / interval_s)):
            late_s = (number % 2) * limp_s + float(rng.uniform(0, 0.0005))
            place(other, ticks[number % 2], 0.1 + number * interval_s + late_s, 0.0, rate_hz)
        sound += fftconvolve(other, way)[:count] * 3 * drop_rms * 10 ** (-rng.uniform(0, 20) / 20)
        told += f", clock {interval_s:g} s"
    if rng.random() < 0.3:
        for _ in range(int(duration_s / 60 * rng.uniform(0.5, 4))):
            said = _word(rng, rate_hz) * drop_rms * 10 ** (rng.uniform(-15, 6) / 20)
            place(sound, said, float(rng.uniform(0, max(duration_s - 5, 0.1))), 0.0, rate_hz)
        told += ", talk"
    if rng.random() < 0.25:
        for _ in range(int(duration_s / 60 * rng.uniform(1, 10))):
            click = _tick(rng, rate_hz, True) * drop_rms * 10 ** (rng.uniform(-10, 15) / 20)
            place(sound, click, float(rng.uniform(0, duration_s)), 0.0, rate_hz)
        told += ", clicks"
    return told


def _word(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    """Pulses of a voice whose pitch and loudness move, with hisses between."""
    time_s = np.arange(int(rng.uniform(1, 5) * rate_hz)) / rate_hz
    loud = 0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(2, 5) * time_s)
    voice = np.sin(np.pi * (rng.uniform(90, 240) * time_s + 3 * np.sin(5 * time_s))) ** 60 * loud**2
    hisses = np.sin(2 * np.pi * rng.uniform(1, 3) * time_s) > 0.6
    return voice + 0.15 * rng.standard_normal(len(time_s)) * hisses


def _scaled(sound: np.ndarray, to: float) -> np.ndarray:
    """The sound at a level, clipped, as float32."""
    loud = max(float(np.quantile(np.abs(sound[::20]), 0.9999)), 1e-9)
    return np.clip(sound * (to / loud), -1, 1).astype(np.float32)


def _by_phone(made: Recording, rng: np.random.Generator) -> Recording:
    """The recording as a phone keeps it."""
    sound, rate_hz, told = made.sound.astype(np.float64), made.rate_hz, ""
    kind = str(rng.choice(["gain", "noise reduction", "plain"], p=[0.35, 0.3, 0.35]))
    if kind == "gain":
        sound, told = _automatic_gain(sound, rate_hz, rng), ", automatic gain"
    if kind == "noise reduction":
        sound, told = _noise_reduced(sound, rate_hz, rng), ", noise reduction"
    codec = str(rng.choice([*CODECS, "8 kHz", "none"], p=[0.2, 0.2, 0.25, 0.15, 0.2]))
    to_hz = {"8 kHz": 8000, "opus": 48_000}.get(codec, rate_hz)
    part = gcd(to_hz, rate_hz)
    sound = _scaled(resample_poly(sound, to_hz // part, rate_hz // part), 0.7)
    if codec in CODECS:
        sound, told = _coded(sound, to_hz, codec, float(rng.uniform(0.2, 0.95)), told)
    return replace(
        made, sound=sound.astype(np.float32), rate_hz=to_hz, made_of=f"{made.made_of}{told}, {codec}"
    )


def _automatic_gain(sound: np.ndarray, rate_hz: int, rng: np.random.Generator) -> np.ndarray:
    """Loud stretches made softer: soon after they begin, and for seconds after they end."""
    step = int(_FRAME_S * rate_hz)
    rms = np.sqrt((sound[: len(sound) // step * step].reshape(-1, step) ** 2).mean(axis=1))
    up, down = np.exp(-_FRAME_S / np.array([rng.uniform(0.005, 0.03), np.exp(rng.uniform(-1.2, 1.4))]))
    course, level = np.empty(len(rms)), float(rms[:50].mean())
    for frame, now in enumerate(rms):
        kept = up if now > level else down
        level = kept * level + (1 - kept) * now
        course[frame] = level
    gain = (np.median(course) / np.maximum(course, 1e-9)) ** rng.uniform(0.3, 0.9)
    return sound * np.interp(np.arange(len(sound)), (np.arange(len(rms)) + 0.5) * step, gain)


def _noise_reduced(sound: np.ndarray, rate_hz: int, rng: np.random.Generator) -> np.ndarray:
    """Spectral subtraction in frames of some 22 ms."""
    size = 512 if rate_hz < 32_000 else 1024
    window = np.sqrt(np.hanning(size + 1)[:size])
    firsts = np.arange(0, len(sound) - size, size // 2)
    spectra = np.fft.rfft(sound[firsts[:, None] + np.arange(size)] * window)
    power = np.abs(spectra) ** 2
    over, floor = rng.uniform(0.7, 2.0), 10 ** (-rng.uniform(6, 20) / 20)
    # The median of a power of noise is ln 2 of its mean.
    left = np.maximum(1 - over * np.median(power, axis=0) / np.log(2) / np.maximum(power, 1e-20), 0)
    gain = np.maximum(np.sqrt(left), floor)
    gain[1:] = 0.5 * gain[1:] + 0.5 * gain[:-1]
    out = np.zeros(len(sound))
    for first, piece in zip(firsts, np.fft.irfft(spectra * gain, size) * window, strict=True):
        out[first : first + size] += piece
    return out


def _coded(
    sound: np.ndarray, rate_hz: int, codec: str, compression: float, told: str
) -> tuple[np.ndarray, str]:
    """The sound through a lossy codec, and what was done, with its bit rate."""
    kind, subtype = CODECS[codec]
    kept = io.BytesIO()
    with soundfile.SoundFile(
        kept, "w", rate_hz, 1, format=kind, subtype=subtype, compression_level=compression
    ) as file:
        for first in range(0, len(sound), rate_hz):
            file.write(sound[first : first + rate_hz])
    bits = 8 * kept.tell() / (len(sound) / rate_hz)
    kept.seek(0)
    return soundfile.read(kept, dtype="float32")[0], f"{told}, {bits / 1000:.0f} kb/s"
