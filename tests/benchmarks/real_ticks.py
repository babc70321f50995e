"""Recordings made of real ticks: cut from clips, placed at the twin's times, in a simulated room, over real noise.

The clips are those of the ESC-10 set (K. J. Piczak, Proc. ACM Multimedia 2015, doi 10.1145/2733373.2806390); the
environment variable TORSIONBEAT_REALTICKS names their folder. None is of a torsion clock: real ticks, real noise, simulated
times. A sound begins where its energy first passes 2 % of its peak in the clean clip. Rooms are made by
pyroomacoustics (image sources). Even seeds are the open half, odd ones are set aside.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

from torsionbeat.twin import Recorder, simulate
from torsionbeat.twin.parts import Drive, Escapement
from torsionbeat.twin.room import Room, Talk
from torsionbeat.twin.scenes import four_hundred_day_clock, sixty_second_clock
from torsionbeat.twin.truth import Truth

RATE = 22_050
"""Half the clips' rate: all that the hearing uses of them lies below 10 kHz, and a recording costs half."""
BEGINS = 0.02
"""Share of its peak energy at which a sound begins."""
LEAD_S, TICK_S = 0.012, 0.15
TICKS = ("1-48413-A", "2-141584-A", "3-143933-A", "3-150363-A", "3-170383-A", "3-171041-A")
OTHERS = {
    "1-48413-A": 0.5203,
    "2-141584-A": 1.0,
    "3-150363-A": 0.6029,
    "3-170383-A": 0.4564,
    "3-171041-A": 0.2,
}
STEADY = ("rain_1-17367-A", "helicopter_1-172649-A", "fire_crackling_1-17808-A")


def folder() -> Path:
    """Where the clips are."""
    named = os.environ.get("TORSIONBEAT_REALTICKS")
    if not named:
        raise SystemExit("name the folder of the clips in TORSIONBEAT_REALTICKS")
    return Path(named)


@lru_cache(maxsize=32)
def clip(name: str) -> np.ndarray:
    """A clip at RATE, mono."""
    import soundfile

    sound, rate = soundfile.read(folder() / f"{name}.ogg", dtype="float32")
    return resample_poly(sound, RATE, rate).astype(np.float32)


def smoothed(power: np.ndarray, seconds: float, rate_hz: int = RATE) -> np.ndarray:
    """Running mean of a power, centred."""
    count = max(int(seconds * rate_hz), 1)
    return np.convolve(power, np.ones(count) / count, "same")


@lru_cache(maxsize=32)
def ticks_of(name: str) -> tuple[np.ndarray, ...]:
    """The single ticks of a clip, each beginning (by the 2 % rule) LEAD_S after its first sample, peak 1."""
    sound = clip(f"tick_{name}")
    high = sosfilt(butter(2, 200, "high", fs=RATE, output="sos"), sound)
    power = smoothed(high**2, 0.001)
    left, out = power.copy(), []
    apart = int(0.09 * RATE)
    while len(out) < 12 and left.max() > 0.2 * power.max():
        top = int(left.argmax())
        left[max(top - apart, 0) : top + apart] = 0
        first = max(top - int(0.05 * RATE), 0)
        begins = first + int(np.flatnonzero(power[first : top + 1] > BEGINS * power[top])[0])
        start, stop = begins - int(LEAD_S * RATE), begins + int(TICK_S * RATE)
        if start < 0 or stop > len(high):
            continue
        piece = high[start:stop].copy()
        fade = int(0.006 * RATE)
        piece[:fade] *= np.hanning(2 * fade)[:fade]
        piece[-8 * fade :] *= np.hanning(16 * fade)[-8 * fade :]
        out.append((piece / np.abs(piece).max()).astype(np.float32))
    return tuple(out)


@dataclass(frozen=True)
class Recording:
    """Sound (float32), its truth, what a restorer would state, what it is made of, and its samples a second."""

    sound: np.ndarray
    truth: Truth
    nominal_period_s: float
    lift_deg: float | None
    level_db: float
    made_of: str
    rate_hz: int = RATE


def _impulse(rng: np.random.Generator, far: bool) -> np.ndarray:
    """Way from a place in a room to the microphone, the direct sound at its first sample."""
    import pyroomacoustics as pra

    size = rng.uniform([2.8, 2.5, 2.3], [7, 6, 3.2])
    decay_s = float(rng.uniform(0.15, 0.6))
    try:
        absorbing, order = pra.inverse_sabine(decay_s, size)
    except ValueError:
        absorbing, order = 0.9, 6
    room = pra.ShoeBox(size, fs=RATE, materials=pra.Material(absorbing), max_order=min(order, 14))
    microphone = rng.uniform(0.3, size - 0.3)
    away = rng.uniform(0.8, 2.5) if far else np.exp(rng.uniform(np.log(0.05), np.log(1.2)))
    towards = rng.standard_normal(3)
    source = np.clip(microphone + away * towards / np.linalg.norm(towards), 0.15, size - 0.15)
    room.add_source(source)
    room.add_microphone(microphone)
    room.compute_rir()
    way = np.asarray(room.rir[0][0], np.float32)[: int(0.5 * RATE)]
    return (way / np.abs(way).max())[int(np.argmax(np.abs(way) > 0.3 * np.abs(way).max())) :].astype(
        np.float32
    )


def _looped(sound: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    """Pieces of a clip one after the other, faded into each other, so that nothing repeats by the clip's length."""
    out, fade = np.zeros(count + len(sound), np.float32), int(0.05 * RATE)
    at = 0
    while at < count:
        length = int(rng.uniform(0.3, 0.9) * len(sound))
        start = int(rng.integers(0, len(sound) - length))
        piece = sound[start : start + length].copy()
        piece[:fade] *= np.sqrt(np.linspace(0, 1, fade, dtype=np.float32))
        piece[-fade:] *= np.sqrt(np.linspace(1, 0, fade, dtype=np.float32))
        out[at : at + length] += piece
        at += length - fade
    return out[:count]


def place(
    out: np.ndarray, piece: np.ndarray, time_s: float, lead_s: float = LEAD_S, rate_hz: int = RATE
) -> None:
    """Add a sound that begins `lead_s` after its first sample; to a fraction of a sample."""
    at = (time_s - lead_s) * rate_hz
    whole = int(np.floor(at))
    part = at - whole
    moved = np.convolve(piece, [1 - part, part]).astype(out.dtype)
    low, high = max(whole, 0), min(whole + len(moved), len(out))
    if low < high:
        out[low:high] += moved[low - whole : high - whole]


def _clock(seed: int, rng: np.random.Generator):
    """A clock of either kind, its nominal period, and the sounds that are heard of it."""
    if rng.random() < 0.45:
        clock = sixty_second_clock(seed)
        nominal_s = 60.0
    else:
        clock = four_hundred_day_clock(seed)
        nominal_s = float(min((12.0, 15.0, 20.0), key=lambda s: abs(s - clock.balance.period_s)))
        passage_s = max(float(np.exp(rng.uniform(np.log(0.1), np.log(0.5)))), 0.1)
        arc = float(rng.uniform(240, 400))
        lift = float(np.clip(arc * np.sin(np.pi * passage_s / nominal_s), 6, 30))
        clock = replace(
            clock,
            drive=Drive(arc_deg=arc, wander_percent=1.0),
            escapement=Escapement(lift_deg=lift, offset_deg=float(rng.uniform(-6, 6))),
        )
    sounds = ["contact", "drop"] if rng.random() > 0.1 else ["drop"]
    if "contact" in sounds and rng.random() < 0.12:
        sounds.append("unlocking")
    if rng.random() < 0.12:
        sounds.append("banking")
    jitter_ms = float(np.exp(rng.uniform(np.log(0.3), np.log(5))))
    return replace(clock, sounds=tuple(sounds), jitter_ms=jitter_ms), nominal_s


def make(seed: int, *, with_clock: bool = True, duration_s: float | None = None) -> Recording:
    """One recording; the same seed gives the same samples."""
    rng = np.random.default_rng([seed, 9001])
    clock, nominal_s = _clock(seed, rng)
    periods = float(rng.uniform(14, 30))
    length_s = duration_s or (periods * nominal_s if nominal_s > 30 else 1.6 * periods * nominal_s)
    beats, events = clock.run(length_s, seed)
    truth = Truth(beats, events, length_s, {}, ())
    count = int(length_s * RATE)
    contacts, drops, rest = (TICKS[i] for i in rng.permutation(len(TICKS))[:3])
    contact_db = float(rng.uniform(-14, 4))
    below = {"drop": 0.0, "contact": contact_db, "unlocking": -14.0, "banking": -12.0}
    source = {"drop": drops, "contact": contacts, "unlocking": rest, "banking": rest}
    rare = float(rng.uniform(0.2, 0.6)) if rng.random() < 0.08 else 1.0
    dry = np.zeros(count, np.float32)
    for time, side, kind in zip(events.time_s, events.side, events.kind, strict=True):
        if kind == "contact" and side == "b" and rng.random() > rare:
            continue
        pieces = ticks_of(source[str(kind)])[int(side == "b") :: 2]
        level = below[str(kind)] + 1.0 * float(rng.standard_normal())
        place(dry, pieces[int(rng.integers(len(pieces)))] * np.float32(10 ** (level / 20)), float(time))
    way = _impulse(rng, far=bool(rng.random() < 0.4))
    clean = fftconvolve(dry, way)[:count].astype(np.float32)
    one = np.zeros(RATE, np.float32)
    place(one, ticks_of(drops)[0], 0.3)
    top = float(bright(fftconvolve(one, way)[:RATE]).max())
    noise, named = _noise(count, rng)
    level_db = float(rng.uniform(14, 42))
    unit = np.median(bright(noise[: 60 * RATE]))
    noise *= np.float32(np.sqrt(top / 10 ** (level_db / 10) / max(unit, 1e-20)))
    sound = (clean if with_clock else 0) + noise
    named += _others(sound, rng, count)
    if rare < 1:
        named += f", contact b rare {rare:.1f}"
    sound *= np.float32(0.3 / max(np.quantile(np.abs(sound[:: RATE // 50]), 0.999), np.sqrt(top), 1e-9))
    np.clip(sound, -1, 1, out=sound)
    lift = clock.escapement.lift_deg if "contact" in clock.sounds else None
    told = f"{nominal_s:g} s, {'+'.join(clock.sounds)}, contact {contact_db:+.0f} dB, jitter {clock.jitter_ms:.1f} ms, {named}"
    return Recording(np.round(sound * 32767) / np.float32(32767), truth, nominal_s, lift, level_db, told)


def bright(sound: np.ndarray, rate_hz: int = RATE) -> np.ndarray:
    """Power above 900 Hz in each 1.5 ms."""
    high = sosfilt(butter(3, 900, "high", fs=rate_hz, output="sos"), sound)
    return smoothed(high**2, 0.0015, rate_hz)


def _noise(count: int, rng: np.random.Generator) -> tuple[np.ndarray, str]:
    kind = str(rng.choice(["white", *STEADY], p=[0.4, 0.25, 0.15, 0.2]))
    white = rng.standard_normal(count, dtype=np.float32)
    pinkish = sosfilt(butter(1, 2000, fs=RATE, output="sos"), white).astype(np.float32)
    if kind == "white":
        return 0.3 * white + 3 * pinkish, "hiss"
    loop = _looped(clip(f"noise_{kind}"), count, rng)
    return loop + np.float32(0.03 * loop.std()) * white, kind.split("_")[0]


def _others(sound: np.ndarray, rng: np.random.Generator, count: int) -> str:
    """Another clock, talk, barks: added in place; what was added."""
    named, peak = "", float(np.quantile(np.abs(sound), 0.9999))
    if rng.random() < 0.35:
        name = str(rng.choice(list(OTHERS)))
        other = np.zeros(count, np.float32)
        beat = OTHERS[name] * (1 + float(rng.uniform(-3e-4, 3e-4)))
        pieces = ticks_of(name)
        limp = float(rng.uniform(0, 0.03)) * beat
        for number in range(int(count / RATE / beat)):
            time = (number + 0.3) * beat + (number % 2) * limp + 3e-4 * float(rng.standard_normal())
            place(other, pieces[number % 2 :: 2][int(rng.integers(len(pieces[number % 2 :: 2])))], time)
        level = float(rng.uniform(-20, 0))
        way = _impulse(rng, far=True)
        other = fftconvolve(other, way)[:count]
        sound += (other * peak * 10 ** (level / 20) / np.abs(other).max()).astype(np.float32)
        named += f", clock {OTHERS[name]:g} s {level:.0f} dB"
    if rng.random() < 0.3:
        talk = Room(pink_rms=0, white_rms=0, talk=Talk(per_hour=float(rng.uniform(60, 240)), peak=0.2))
        said = simulate(None, talk, Recorder(RATE), count / RATE, int(rng.integers(1 << 30))).samples()[
            :count
        ]
        sound[: len(said)] += said * np.float32(peak / 0.2 * 10 ** (rng.uniform(-15, 3) / 20))
        named += ", talk"
    if rng.random() < 0.2:
        bark = clip("noise_dog_bark_1-30226-A")
        for at in rng.uniform(0, count / RATE, max(int(count / RATE / 45), 1)):
            place(
                sound, bark[: int(0.8 * RATE)] * np.float32(1.5 * peak / np.abs(bark).max()), float(at), 0.0
            )
        named += ", barks"
    return named
