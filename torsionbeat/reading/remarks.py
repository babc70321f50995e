"""Remarks: every doubt about a reading, in plain sentences that say what is missing, why, and what to do."""

from __future__ import annotations

import numpy as np

from torsionbeat.hearing.heard import Heard
from torsionbeat.reading.arc_course import Turn, settling_of
from torsionbeat.reading.beats import StackedPassage
from torsionbeat.reading.figures import Reading
from torsionbeat.reading.jumps import Jump
from torsionbeat.reading.mean_arc import GREATEST_ARC_DEG, LEAST_PASSAGES
from torsionbeat.reading.other_accounts import remark_on_accounts
from torsionbeat.sound.remarks import Remark

__all__ = ["remarks_on"]

_WHOLE_SWING = 0.49
"""Share of the period from contact to drop that is hardly less than a swing takes, which is half of it."""


def remarks_on(
    reading: Reading,
    heard: Heard,
    *,
    strays: int,
    together: dict[int, StackedPassage],
    jumps: list[Jump],
    differ_s: float = 0.0,
    turn: Turn | None = None,
) -> list[Remark]:
    """All remarks on a reading, the most important first.

    Parameters
    ----------
    reading, heard : Reading, Heard
        The figures, and what they were taken from.
    strays : int
        Beats left out since they do not fit.
    together : dict
        Passages by side from all beats together, where most single contacts are not heard.
    jumps, turn : list of Jump, Turn or None
        Moments at which the clock changed suddenly.
    differ_s : float
        By how much the lift passages of the sides differ, seconds.
    """
    out: list[Remark] = []
    out += _on_period(reading, heard)
    out += _on_jumps(reading, jumps)
    out += _on_settling(reading) if turn is None else [_on_turn(reading, turn)]
    out += _on_beats(reading, heard, strays, together)
    out += _on_arc(reading, heard)
    out += _on_accounts(reading, heard)
    if differ_s > 0:
        out.append(
            Remark(
                "sides-differ",
                f"From contact to drop takes {1e3 * differ_s:.0f} ms longer on one side than on the other, though a balance "
                "takes the same both ways: one of the sounds was timed from another of its parts. Beat error and arc are "
                "stated that much less surely.",
            )
        )
    out += _on_sound(reading, heard)
    out += _on_timebase(reading)
    return out


def _on_accounts(reading: Reading, heard: Heard) -> list[Remark]:
    seconds_per_sample = 1 / (heard.sample_rate_hz * (1 + reading.timebase.offset_ppm * 1e-6))
    period_s = reading.period_s.nominal_value
    told = (reading.beat_error_ms, reading.arc_deg)
    remark = remark_on_accounts(heard.other_accounts, seconds_per_sample, period_s, reading.clock, told)
    return [] if remark is None else [remark]


def _on_period(reading: Reading, heard: Heard) -> list[Remark]:
    out: list[Remark] = []
    nominal, period = reading.clock.nominal_period_s, reading.period_s.nominal_value
    if nominal is None:
        out.append(
            Remark(
                "no-nominal-period",
                "The rate is missing because the nominal period was not given: add --period.",
            )
        )
    elif reading.rate_s_per_day is None:
        out.append(
            Remark(
                "period-not-nominal",
                f"The rate is missing: a period of {period:.3f} s is heard, which cannot be that of a clock with a nominal "
                f"period of {nominal:g} s. Check --period, or whether another clock is nearer to the microphone.",
            )
        )
    elif abs(period / nominal - 1) > 0.03:
        out.append(
            Remark(
                "period-far-from-nominal",
                f"The period heard, {period:.3f} s, is far from the nominal {nominal:g} s: check that --period is right.",
            )
        )
    if heard.second_period_s is not None:
        out.append(
            Remark(
                "another-torsion-clock",
                f"Another torsion clock is heard, with a period of about {heard.second_period_s:.2f} s: the figures are of "
                "the clock whose nominal period was given, or else of the clearer one."
                + _in_step(period, heard),
            )
        )
    out += [
        Remark(
            "another-clock",
            f"Another clock is heard, its sound repeating every {interval:.3g} s (tick and tock together where they differ): "
            "its ticks were told apart from this clock's and are in none of the figures.",
        )
        for interval in heard.other_intervals_s
    ]
    return out


def in_step(period_s: float, heard: Heard) -> int | None:
    """How many times one torsion clock's period goes into another's, where that is within 500 ppm of a whole number."""
    other_s = heard.second_period_s or period_s
    ratio = max(period_s, other_s) / min(period_s, other_s)
    return None if ratio < 1.5 or abs(ratio / round(ratio) - 1) > 5e-4 else round(ratio)


def _in_step(period_s: float, heard: Heard) -> str:
    times = in_step(period_s, heard)
    if times is None:
        return ""
    return (
        f" One goes {times} times into the other, so that their sounds can fall together for hours and draw "
        "these times with them; the period is stated that much less surely. Stop that clock or move it away, and "
        "record again."
    )


def _on_jumps(reading: Reading, jumps: list[Jump]) -> list[Remark]:
    out: list[Remark] = []
    for jump in jumps:
        when = _clock_time(jump.time_s)
        parts = []
        if jump.moves_beat:
            parts.append(
                f"the beat error jumped by {jump.beat_error_s * 1e3:+.0f} ms (a slipped clamp or a moved beat setting)"
            )
        if jump.moves_phase:
            parts.append(
                f"all beats jumped by {jump.phase_s:+.3f} s (a knock to the case, or sound the recorder lost)"
            )
        if jump.moves_beat:
            told = _measured_side(reading, jump.time_s)
            out.append(Remark("beat-setting-jumped", f"At {when} {' and '.join(parts)}. {told}"))
        elif parts:
            told = "The period is taken from the stretches before and after; the jump is left out."
            if 0 < -jump.phase_s <= reading.timebase.unseen_s:
                told += " The computer's clock does not tell which it was; the rate is stated that much less surely."
            out.append(Remark("knock", f"At {when} {parts[0]}. {told}"))
    return out


def _measured_side(reading: Reading, moment_s: float) -> str:
    """Which stretch the figures are taken from: the one before a break or the one after it."""
    if reading.stretch_s is None or reading.stretch_s[0] >= moment_s:
        return "The figures are of the stretch after it: the clock as it is now."
    return (
        "Too few beats follow to measure the clock as it is now: the figures are of the stretch before it. Record "
        "again."
    )


def _on_turn(reading: Reading, turn: Turn) -> Remark:
    falls = turn.slope_after_deg_per_hour < turn.slope_before_deg_per_hour
    what = "fell off: the drive was lost or weakened" if falls else "picked up: the drive came back or grew"
    return Remark(
        "drive-lost" if falls else "drive-back",
        f"At {_clock_time(turn.time_s)} the arc {what}. It was {turn.arc_there_deg:.0f} deg then, travelling by "
        f"{turn.slope_before_deg_per_hour:+.0f} deg an hour before and {turn.slope_after_deg_per_hour:+.0f} after, and "
        f"{turn.arc_end_deg:.0f} deg at the end. {_measured_side(reading, turn.time_s)}",
    )


def _on_settling(reading: Reading) -> list[Remark]:
    under_way = settling_of(reading.swings.time_s, reading.swings.arc_deg)
    if under_way is None:
        return []
    marked = "the rate was taken while it was settling." if reading.rate_s_per_day is not None else ""
    if not np.isfinite(under_way.time_constant_s):
        trend = reading.arc_trend_deg_per_hour
        pace = f" by {trend.nominal_value:+.1f} deg an hour" if trend is not None else ""
        return [
            Remark(
                "arc-not-steady",
                f"The arc is not steady: it travels{pace}, too straight for its goal to be told. Record for longer; "
                f"{marked}".rstrip("; "),
            )
        ]
    low, high = under_way.time_constant_low_s, under_way.time_constant_high_s
    wait = (
        f"wait another {_clock_time(under_way.wait_s)} for it to come within one per cent"
        if under_way.wait_s > 0
        else "it is within one per cent of it now"
    )
    return [
        Remark(
            "arc-settling",
            f"The arc is still settling: {under_way.arc_now_deg:.0f} deg at the end, on its way to about "
            f"{under_way.arc_steady_deg:.0f} deg with a time constant of {_clock_time(under_way.time_constant_s)} (between "
            f"{_clock_time(low)} and {_clock_time(high)}); {wait}. {marked[:1].upper()}{marked[1:]}".strip(),
        )
    ]


def _on_beats(
    reading: Reading, heard: Heard, strays: int, together: dict[int, StackedPassage]
) -> list[Remark]:
    out: list[Remark] = []
    expected, found = reading.beats_expected, reading.beats_heard
    missed = expected - found
    if found and expected and missed > 0.02 * expected and missed > 1:
        out.append(
            Remark(
                "beats-missed",
                f"{missed} of {expected} beats were not heard; they are left out, and the others keep their numbers.",
            )
        )
    partly = ["ab"[side] for side, one in sorted(together.items()) if not one.lead_s]
    if len(partly) < len(together):
        out.append(
            Remark(
                "stacked-only",
                "Single contacts are not heard above the room: the arc comes from all beats averaged together, so "
                "there is a mean arc and no arc for each swing.",
            )
        )
    if partly:
        sides = "both sides" if len(partly) == 2 else f"side {partly[0]}"
        out.append(
            Remark(
                "contact-in-part-of-beats",
                f"The contact of {sides} is heard in only part of the beats: their typical passage stands for all of them, and "
                "the other swings have no arc.",
            )
        )
    if strays:
        out.append(
            Remark(
                "strays-left-out",
                f"{strays} sound{'s' if strays > 1 else ''} did not fit the beat and were left out.",
            )
        )
    if heard.one_sided:
        out.append(
            Remark(
                "one-side-heard",
                "Only one sound a period is heard: the other side's beat is silent, or the period is really twice as long. "
                "No beat error can be given.",
            )
        )
    every = _every_so_many(reading) // (2 if heard.one_sided else 1)
    if every > 1:
        out.append(
            Remark(
                "beats-skipped",
                f"Only one beat in {every} is heard, the others never: the period is probably {every} times as long, about "
                f"{every * reading.period_s.nominal_value:.3g} s. Check --period.",
            )
        )
    if found < 8:
        out.append(
            Remark(
                "few-beats",
                f"Only {found} beats were heard: the figures will be much surer from a longer recording.",
            )
        )
    return out + _on_silence(reading)


def _every_so_many(reading: Reading) -> int:
    """How many beats are counted for one that is heard, where nearly all the steps between them are alike; else 1."""
    steps = np.diff(reading.swings.number)
    if len(steps) < 8:
        return 1
    usual = int(np.median(steps))
    return usual if usual > 1 and np.mean(steps % usual == 0) > 0.9 else 1


def _on_silence(reading: Reading) -> list[Remark]:
    """A clock that stopped, or that was not heard at first."""
    times = reading.swings.time_s
    period = reading.period_s.nominal_value
    out: list[Remark] = []
    after = reading.recording.duration_s - float(times[-1])
    before = float(times[0])
    gap_after = sum(max(0.0, end - max(start, float(times[-1]))) for start, end in reading.recording.gaps)
    gap_before = sum(max(0.0, min(end, before) - start) for start, end in reading.recording.gaps)
    if after - gap_after > 2.5 * period:
        out.append(
            Remark(
                "silent-at-end",
                f"The last beat is heard at {_clock_time(float(times[-1]))}; for the {_clock_time(after)} after it nothing is "
                "heard: the clock stopped, or the microphone moved. The figures are of the stretch before.",
            )
        )
    if before - gap_before > 2.5 * period:
        out.append(Remark("silent-at-start", f"The first beat is heard only at {_clock_time(before)}."))
    return out


def _on_arc(reading: Reading, heard: Heard) -> list[Remark]:
    out: list[Remark] = []
    passages = reading.swings.lift_passage_s
    contact = bool(np.isfinite(passages).any()) or bool(heard.stacked_passages)
    if reading.arc_deg is None:
        if not contact:
            out.append(
                Remark(
                    "no-arc-contact-unheard",
                    "The arc is missing because no contact is heard, only the drop. Move the beat setting by a known small "
                    "angle and read again: two beat errors give the arc. A falling arc makes the drops late, which looks like a "
                    "losing clock: the period is stated only as surely as an unseen arc allows.",
                )
            )
        elif reading.clock.lift_deg is None:
            out.append(
                Remark(
                    "no-arc-lift-unknown",
                    "The arc is missing because the lift is not known: add --lift with the angle from contact to drop.",
                )
            )
        elif impossible := _impossible_with_lift(reading):
            out.append(Remark("no-arc-lift-impossible", impossible))
        elif not heard.other_accounts:  # else it is these that withhold it, and a remark of their own says so
            out.append(
                Remark("no-arc-few-contacts", "The arc is missing because too few contacts are heard.")
            )
    elif reading.clock.lift_tolerance_deg == 0:
        out.append(
            Remark(
                "lift-taken-as-exact",
                f"The lift of {reading.clock.lift_deg:g} deg is taken as exact: one per cent in it is one per cent in the arc.",
            )
        )
    if reading.arc_deg is not None:
        out += _on_beginnings(heard)
    if reading.offset_deg is None and reading.beat_error_ms is not None and reading.arc_deg is None:
        out.append(Remark("no-offset-without-arc", "The offset as an angle needs the arc."))
    return out


def _impossible_with_lift(reading: Reading) -> str:
    """The sentence on passages that no balance makes with the lift that was given; empty where they are possible."""
    passages, lift_deg = reading.swings.lift_passage_s, reading.clock.lift_deg
    if lift_deg is None or np.isfinite(passages).sum() < LEAST_PASSAGES:
        return ""
    share = float(np.nanmedian(passages)) / reading.period_s.nominal_value
    if share >= _WHOLE_SWING:
        return (
            f"The arc is missing: with a lift of {lift_deg:g} deg the swing would be smaller than its own lift (contact to drop "
            f"takes {share:.1%} of the period). Check --lift."
        )
    swing_deg = lift_deg / np.sin(np.pi * share)
    if swing_deg <= GREATEST_ARC_DEG:
        return ""
    return (
        f"The arc is missing: with a lift of {lift_deg:g} deg the swing would be {swing_deg:.0f} deg, which no balance does. "
        "What is heard before the drop is not the contact, or the lift is wrong: check --lift."
    )


def _on_beginnings(heard: Heard) -> list[Remark]:
    """Remarks where a sound begins softly: it is in doubt from which of its parts the lift passage counts."""
    early = {
        kind: 1e3 * max(heard.sounds.softer_samples(kind)) / heard.sample_rate_hz
        for kind in ("contact", "drop")
    }
    return [
        Remark(
            "soft-beginning",
            f"A softer sound shows {ms:.0f} ms before the {kind} proper, from which the passage is counted; whether the "
            f"{kind} begins with it cannot be told, and the arc is stated that much less surely. A comparison of before and "
            "after is not touched by it while the sound stays as it is.",
        )
        for kind, ms in early.items()
        if ms > 1
    ]


def _on_sound(reading: Reading, heard: Heard) -> list[Remark]:
    out: list[Remark] = []
    if heard.channels > 1:
        out.append(
            Remark(
                "channel-used",
                f"Of {heard.channels} channels, channel {heard.channel + 1} hears the clock best and was used.",
            )
        )
    out += [
        Remark(
            "clock-on-other-channel",
            f"On channel {number + 1} another clock is heard, with a period of about "
            f"{period / heard.sample_rate_hz:.2f} s: read it by itself with --channel {number + 1}.",
        )
        for number, period in heard.other_channels
    ]
    gaps = reading.recording.gaps
    if gaps:
        total = _length(sum(end - start for start, end in gaps))
        what = (
            f"{len(gaps)} stretches without sound, {total} in all, are"
            if len(gaps) > 1
            else f"A stretch of {total} without sound is"
        )
        out.append(Remark("gaps-left-out", f"{what} left out; the beats after keep their time."))
    if heard.clipped_samples > 20:
        out.append(
            Remark(
                "clipped",
                "The sound is clipped: turn the recorder's level down. Times are hardly touched by it, loudness is.",
            )
        )
    if heard.bad_samples:
        out.append(
            Remark(
                "samples-not-numbers",
                f"{heard.bad_samples} samples were no numbers and were taken as silence.",
            )
        )
    if heard.standing_db is not None and heard.standing_db < 9:
        out.append(
            Remark(
                "drop-low",
                f"The drops stand only {heard.standing_db:.0f} dB above the room: put the microphone nearer to the movement, "
                "or use a contact pickup.",
            )
        )
    return out


def _on_timebase(reading: Reading) -> list[Remark]:
    out: list[Remark] = []
    if reading.timebase.source == "unknown":
        dominated = reading.timebase.standard_uncertainty_ppm * 1e-6 * reading.period_s.nominal_value
        if dominated > 0.5 * reading.period_s.std_dev:
            out.append(
                Remark(
                    "crystal-unknown",
                    "How far the recorder's crystal is off is not known: up to 50 ppm either way (4.3 s "
                    "a day) is assumed, and that dominates the uncertainty of the rate. A rate better than that needs "
                    "--sample-clock-ppm, a quartz clock in the room and --reference-interval, or a night recorded with "
                    "torsionbeat listen.",
                )
            )
    elif reading.timebase.source == "stated" and reading.timebase.standard_uncertainty_ppm == 0:
        out.append(
            Remark(
                "crystal-taken-as-exact",
                f"The recorder's {reading.timebase.offset_ppm:+g} ppm is taken as stated, without any doubt of its own.",
            )
        )
    return out


def _length(seconds: float) -> str:
    """A duration: to the hundredth below ten seconds, then in seconds, then in minutes and hours."""
    if seconds < 59.5:
        return f"{seconds:.2f} s" if seconds < 9.995 else f"{seconds:.0f} s"
    return _clock_time(seconds)


def _clock_time(seconds: float) -> str:
    """h:mm:ss, or min:ss below an hour."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d} h" if hours else f"{rest // 60}:{rest % 60:02d} min"
