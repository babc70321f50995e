"""Conversion of sample numbers to seconds, with its uncertainty.

Input: the user's statement, or rows that compare the count of captured frames with the computer's clock, and the state
that the system reports of that clock. Output: a ``Timebase``: the recorder's crystal in ppm with a standard uncertainty
(GUM, JCGM 100), and the places of unreported losses of sound. The fit is in `torsionbeat.sound.hostfit`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.sound.hostclock import HostState
from torsionbeat.sound.hostfit import CHANCE, HostFit, fit_host

__all__ = [
    "ClockRow",
    "Timebase",
    "clock_steps",
    "host_timebase",
    "stated_timebase",
    "unknown_timebase",
]

FloatArray = npt.NDArray[np.float64]

UNKNOWN_HALF_WIDTH_PPM = 50.0
"""Sound cards and computers alike: crystals are sold to 20 to 50 ppm (common practice, no source)."""

STATED_UNCERTAINTY_PPM = 0.5
"""A crystal measured against a reference overnight (common practice, no source)."""

HOST_HALF_WIDTH_S = 0.030
"""Network time is "within a few tens of milliseconds" over most of the Internet (D. L. Mills, RFC 1128, 1989, abstract):
the error of a kept clock at either end, unless its system states a better one."""

LARGEST_CRYSTAL_PPM = 150.0
"""Largest error of a computer's or recorder's crystal: three times the sold tolerance. A clock that differs from another
by more than this is being slewed, or is not driven by a crystal."""

SLEW_PPM = 500.0
"""Largest rate at which a kernel slews its clock to correct it (adjtime, and the phase lock of RFC 5905)."""

STEPPED_S = 0.128
"""A clock that is off by more is set and not slewed (step threshold of RFC 5905, from memory), so no slew adds up to more."""

SLEWED_SHARE = 0.2
"""Share of a known and removed slew that stays in doubt: the frequency under it is itself only estimated."""

SUSPENDED_S = 0.05
"""If the two clocks of a computer differ by more in one step, beyond their slewing, the computer was asleep: one of them
stops then."""

READINGS_LOSS_S = 0.010
"""From this size the beats themselves show a jump, which the reading removes. A smaller loss stays in both the beats
and the fit, where most of it cancels."""

LARGEST_STATED_PPM = 20_000.0
"""Largest offset that can be stated: two in a hundred is a wrong sample rate, not a crystal."""


@dataclass(frozen=True, slots=True)
class Timebase:
    """How sample numbers become seconds.

    Parameters
    ----------
    source : str
        ``host clock``, ``stated``, ``reference ticks`` or ``unknown``.
    offset_ppm : float
        How fast the recorder's crystal runs: above 0, a true second holds more samples than the stated rate.
    standard_uncertainty_ppm : float
    synchronised : bool or None
        For ``host clock``: whether network time kept the computer's clock; None if that is unknown.
    steps : tuple of (frame, seconds)
        Behind each frame the sound is this much later than counted: unreported losses, and the errors in the
        length of reported gaps.
    silent : tuple of (frame, seconds)
        Those of the steps that are unreported losses.
    unseen_s : float
        A single unreported loss up to this size may be hidden in the jitter.
    span_s : float
        Time over which the crystal was measured.
    """

    source: str
    offset_ppm: float
    standard_uncertainty_ppm: float
    synchronised: bool | None = None
    steps: tuple[tuple[int, float], ...] = ()
    silent: tuple[tuple[int, float], ...] = ()
    unseen_s: float = 0.0
    span_s: float = math.inf

    def __post_init__(self) -> None:
        if self.source not in ("host clock", "stated", "reference ticks", "unknown"):
            raise InputError(
                f"timebase source is {self.source!r}; use host clock, stated, reference ticks or unknown"
            )
        measured = self.source == "host clock" and -1e6 < self.offset_ppm < math.inf
        if not measured and not abs(self.offset_ppm) <= LARGEST_STATED_PPM:
            raise InputError(
                f"the recorder's crystal is said to be off by {self.offset_ppm:g} ppm; "
                f"at most {LARGEST_STATED_PPM:.0f} can be right"
            )
        if not self.standard_uncertainty_ppm >= 0:
            raise InputError(
                f"the timebase's standard uncertainty is {self.standard_uncertainty_ppm:g} ppm; "
                "it must be 0 or more"
            )

    def in_doubt_by(self, losses: Sequence[tuple[float, float]]) -> Timebase:
        """The same with added uncertainty for losses that the beats show and the count of frames may hide.

        The beats alone do not show whether sound was lost or the clock was knocked. A loss of s seconds at the share x
        of the span tilts a straight line through the count by 6 s x (1 - x) over the span. That is the half-width of a
        rectangle (GUM, JCGM 100, 4.3.7).

        Parameters
        ----------
        losses : sequence of (share, seconds)
            Place of each loss as a share of the measured time, and the seconds of sound possibly lost there.

        Examples
        --------
        >>> known = Timebase("host clock", 0.0, 10.0, True, unseen_s=0.030, span_s=600.0)
        >>> round(known.in_doubt_by([(0.5, 0.020)]).standard_uncertainty_ppm, 2)
        30.55
        >>> known.in_doubt_by([(0.5, 0.040)]).standard_uncertainty_ppm  # that would have been seen
        10.0
        """
        tilts_s = [
            6 * lost_s * share * (1 - share) for share, lost_s in losses if 0 < lost_s <= self.unseen_s
        ]
        by_losses_ppm = 1e6 * sum(tilts_s) / self.span_s / math.sqrt(3)
        return replace(
            self, standard_uncertainty_ppm=math.hypot(self.standard_uncertainty_ppm, by_losses_ppm)
        )


class ClockRow(NamedTuple):
    """The count of frames at one moment.

    ``stretch`` numbers the uninterrupted runs of sound; ``frame`` is one past the last frame that had
    arrived; ``monotonic_ns`` and ``utc_ns`` are the computer's clocks at that moment; ``raw_ns`` is its uncorrected
    crystal, 0 where it cannot be read.
    """

    stretch: int
    frame: int
    monotonic_ns: int
    utc_ns: int
    raw_ns: int = 0


Rows = Sequence[ClockRow] | npt.NDArray[np.int64]


def unknown_timebase() -> Timebase:
    """The timebase of a saved file without further information.

    >>> round(unknown_timebase().standard_uncertainty_ppm, 2)
    28.87
    """
    return Timebase("unknown", 0.0, UNKNOWN_HALF_WIDTH_PPM / math.sqrt(3))


def stated_timebase(offset_ppm: float, standard_uncertainty_ppm: float = STATED_UNCERTAINTY_PPM) -> Timebase:
    """The timebase that the user gives: how many ppm the recorder's crystal runs fast."""
    return Timebase("stated", offset_ppm, standard_uncertainty_ppm)


def host_timebase(
    rows: Rows,
    sample_rate_hz: float,
    synchronised: bool | None,
    states: Sequence[HostState] = (),
    gaps: Sequence[tuple[int, int, str]] = (),
) -> Timebase:
    """Fit the recorder's crystal against the computer's clock.

    Parameters
    ----------
    rows : sequence of ClockRow, or int64 array of shape (n, 4) or (n, 5) with the same columns
        In order of time, evenly spaced to within scheduling; about one a second.
    sample_rate_hz : float
        The nominal rate.
    synchronised : bool or None
        Result of `torsionbeat.sound.hostclock`; unless True, the computer's own crystal has the full unknown tolerance.
    states : sequence of HostState
        States of the clock reported by the computer's system during the recording, in order of time.
    gaps : sequence of (start_frame, stop_frame, why)
        The reported gaps, in order.

    Returns
    -------
    Timebase
        ``unknown`` where the rows span less than a minute or are too few.
    """
    if not len(rows):
        return unknown_timebase()
    table = _table(rows)
    watched = _watched(table, states)
    host_s = (table[:, 2] - table[0, 2]) * 1e-9 - watched.taken_out_s
    fit = fit_host(table[:, 0], table[:, 1], host_s, sample_rate_hz, [gap[0] for gap in gaps])
    if fit is None:
        return unknown_timebase()
    offset_ppm = -1e6 * fit.slope / (1 + fit.slope)
    if synchronised:
        host_ppm = _kept_host_ppm(fit, watched, states, abs(offset_ppm))
    else:
        host_ppm = math.hypot(UNKNOWN_HALF_WIDTH_PPM, 2e6 * watched.bend_s / fit.span_s) / math.sqrt(3)
    own_ppm = 1e6 * math.hypot(fit.error, _hidden(fit))
    return Timebase(
        "host clock",
        offset_ppm,
        math.hypot(own_ppm, host_ppm),
        synchronised,
        fit.steps,
        fit.silent,
        CHANCE * fit.least_step_s,
        fit.span_s,
    )


class _Watched(NamedTuple):
    """The kept clock compared with the computer's uncorrected crystal.

    ``taken_out_s``: slew of the clock since the first row, shape (n,), if it is known and exceeds network time's own
    uncertainty, else 0. ``slewed_s``: size of that slew. ``bend_s``: deviation of the rest from a straight line.
    ``apart_ppm``: difference of the two rates; None without such a crystal.
    """

    taken_out_s: FloatArray
    slewed_s: float
    bend_s: float
    apart_ppm: float | None


def _table(rows: Rows) -> npt.NDArray[np.int64]:
    """The rows as (stretch, frame, monotonic_ns, utc_ns, raw_ns); a clock of day outside 64 bits becomes 0."""
    if isinstance(rows, np.ndarray):
        missing = 5 - rows.shape[1]
        return np.pad(rows, ((0, 0), (0, missing))) if missing > 0 else rows
    largest = np.iinfo(np.int64).max
    return np.array(
        [(*row[:3], row[3] if abs(row[3]) <= largest else 0, *row[4:5], 0)[:5] for row in rows], np.int64
    )


def _watched(table: npt.NDArray[np.int64], states: Sequence[HostState]) -> _Watched:
    nothing = np.zeros(len(table))
    raw, kept = table[:, 4], table[:, 2]
    if len(table) < 2 or not np.all(raw > 0):
        return _Watched(nothing, 0.0, 0.0, None)
    raw_s, kept_s = (raw - raw[0]) * 1e-9, (kept - kept[0]) * 1e-9
    ahead_s = kept_s - raw_s
    jump_s = np.diff(ahead_s)
    asleep = np.abs(jump_s) > SUSPENDED_S + 2e-6 * SLEW_PPM * np.diff(kept_s)
    ahead_s -= np.concatenate([[0.0], np.cumsum(np.where(asleep, jump_s, 0.0))])
    span_s = max(float(kept_s[-1]), 1e-9)
    bend_s = _from_chord(kept_s, ahead_s)
    apart_ppm = 1e6 * float(ahead_s[-1]) / span_s
    known = [state.frequency_ppm for state in states if state.frequency_ppm is not None]
    if not known:
        return _Watched(nothing, 0.0, bend_s, apart_ppm)
    # the kernel's permanent correction of its crystal is the median of the corrections seen
    slewed_s = ahead_s - float(np.median(known)) * 1e-6 * kept_s
    size_s = float(np.ptp(slewed_s))
    if size_s <= _half_width_s(states):
        return _Watched(nothing, 0.0, bend_s, apart_ppm)
    return _Watched(slewed_s, size_s, 0.0, float(np.median(known)))


def _from_chord(x: FloatArray, y: FloatArray) -> float:
    """Range of a curve's deviation from the straight line between its ends."""
    return float(np.ptp(y - y[0] - (y[-1] - y[0]) * x / max(float(x[-1]), 1e-9)))


def _half_width_s(states: Sequence[HostState]) -> float:
    """Largest error of the clock at either end: as stated by its system, else usual for network time."""
    stated = [state.half_width_s for state in states if state.half_width_s is not None]
    return max(stated, default=HOST_HALF_WIDTH_S)


def _kept_host_ppm(fit: HostFit, watched: _Watched, states: Sequence[HostState], offset_ppm: float) -> float:
    """Standard uncertainty of the rate of a clock that network time keeps, over the span of the fit."""
    end_s = _half_width_s(states)
    if watched.apart_ppm is None:
        # only the recorder's own crystal shows the slewing: a bend against it may be the clock's
        end_s = max(end_s, 2 * fit.bend_s)
        odd_ppm = min(offset_ppm, SLEW_PPM) if offset_ppm > LARGEST_CRYSTAL_PPM else 0.0
        if UNKNOWN_HALF_WIDTH_PPM < offset_ppm <= LARGEST_CRYSTAL_PPM:
            # beyond the sold tolerance: the crystals may be this far off, or the clock was slewed throughout
            odd_ppm = min(offset_ppm, 1e6 * STEPPED_S / fit.span_s)
    else:
        # a slew in one half of the record deviates from the line by half its size
        end_s = max(end_s, 2 * watched.bend_s, SLEWED_SHARE * watched.slewed_s)
        odd_ppm = abs(watched.apart_ppm) if abs(watched.apart_ppm) > LARGEST_CRYSTAL_PPM else 0.0
    # errors of the two ends, each with a rectangular distribution
    return math.hypot(1e6 * end_s * math.sqrt(2) / fit.span_s, odd_ppm) / math.sqrt(3)


def _hidden(fit: HostFit) -> float:
    """Standard uncertainty from losses too small to be detected, as a share of the time.

    A step s in the middle of the span tilts a line through it by 1.5 s over the span; the beats step as well, the other
    way. A step that stays in both cancels except for a half at most. A step that the reading removes from the beats does
    not cancel; it counts if any sound was lost in this recording.
    """
    if not math.isfinite(fit.least_step_s):
        return 0.0
    kept_s = min(fit.least_step_s, READINGS_LOSS_S)
    taken_s = max(fit.least_step_s - READINGS_LOSS_S, 0.0) if fit.steps else 0.0
    return (0.5 * kept_s + 1.5 * taken_s) / math.sqrt(3) / fit.span_s


def clock_steps(rows: Rows, least_s: float = 0.1) -> list[tuple[int, float]]:
    """Steps of the computer's clock of day against its monotonic clock.

    Returns
    -------
    list of (frame, step_s)
        The count of frames after each step, and the size of the step, positive if the clock of day went ahead.

    >>> rows = [ClockRow(0, 48000 * n, n * 10**9, (n + 3 * (n > 2)) * 10**9) for n in range(6)]
    >>> clock_steps(rows)
    [(144000, 3.0)]
    """
    if len(rows) < 2:
        return []
    table = _table(rows)
    ahead_s = np.diff(table[:, 3] - table[:, 2]) * 1e-9
    return [(int(table[n + 1, 1]), float(ahead_s[n])) for n in np.flatnonzero(np.abs(ahead_s) >= least_s)]
