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
from torsionbeat.sound.hostclock import SLEW_PPM, SOLD_PPM, HostState, true_pace
from torsionbeat.sound.hostfit import CHANCE, HostFit, fit_host

__all__ = [
    "ClockRow",
    "Timebase",
    "clock_steps",
    "counted_pace",
    "host_timebase",
    "stated_timebase",
    "unknown_timebase",
]

FloatArray = npt.NDArray[np.float64]

UNKNOWN_HALF_WIDTH_PPM = SOLD_PPM
"""A crystal of which nothing is known is believed to be as good as it is sold."""

STATED_UNCERTAINTY_PPM = 0.5
"""A crystal measured against a reference overnight (common practice, no source)."""

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
    host_s, apart_ppm, bend_s = _steadiest(table)
    fit = fit_host(table[:, 0], table[:, 1], host_s, sample_rate_hz, [gap[0] for gap in gaps])
    if fit is None:
        return unknown_timebase()
    offset_ppm = -1e6 * fit.slope / (1 + fit.slope)
    if synchronised:
        offset_ppm, host_ppm = true_pace(
            offset_ppm,
            fit.span_s,
            apart_ppm=apart_ppm,
            states=states,
            bend_s=fit.bend_s if bend_s is None else bend_s,
        )
    else:
        host_ppm = UNKNOWN_HALF_WIDTH_PPM / math.sqrt(3)
    first_s = int(table[0, 1]) / sample_rate_hz
    misplaced = _misplaced(fit, [at / sample_rate_hz - first_s for at, _ in fit.silent])
    own_ppm = 1e6 * math.hypot(fit.error, _hidden(fit), misplaced)
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


def _table(rows: Rows) -> npt.NDArray[np.int64]:
    """The rows as (stretch, frame, monotonic_ns, utc_ns, raw_ns); a clock of day outside 64 bits becomes 0."""
    if isinstance(rows, np.ndarray):
        missing = 5 - rows.shape[1]
        return np.pad(rows, ((0, 0), (0, missing))) if missing > 0 else rows
    largest = np.iinfo(np.int64).max
    return np.array(
        [(*row[:3], row[3] if abs(row[3]) <= largest else 0, *row[4:5], 0)[:5] for row in rows], np.int64
    )


def counted_pace(rows: Rows, sample_rate_hz: float) -> float:
    """Frames that the recorder counts in a second of the computer's kept clock, over the nominal rate; 1 from too few rows."""
    if not len(rows):
        return 1.0
    table = _table(rows)
    fit = fit_host(table[:, 0], table[:, 1], (table[:, 2] - table[0, 2]) * 1e-9, sample_rate_hz)
    return 1 / (1 + fit.slope) if fit else 1.0


def _steadiest(table: npt.NDArray[np.int64]) -> tuple[FloatArray, float | None, float | None]:
    """Seconds of the computer's steadiest clock since the first row, shape (n,), and the kept clock by it: how fast it runs
    (ppm), and how far it leaves the straight line between its ends (s).

    The steadiest is the raw crystal, which nothing slews; it stands still while the computer sleeps, so a sleep is added to it.
    Where it cannot be read, the kept clock itself, and None.
    """
    kept_s = (table[:, 2] - table[0, 2]) * 1e-9
    raw = table[:, 4]
    if len(table) < 2 or not np.all(raw > 0):
        return kept_s, None, None
    ahead_s = kept_s - (raw - raw[0]) * 1e-9
    jump_s = np.diff(ahead_s)
    asleep = np.abs(jump_s) > SUSPENDED_S + 2e-6 * SLEW_PPM * np.diff(kept_s)
    ahead_s -= np.concatenate([[0.0], np.cumsum(np.where(asleep, jump_s, 0.0))])
    raw_s = kept_s - ahead_s
    apart = float(ahead_s[-1]) / max(float(raw_s[-1]), 1e-9)
    return raw_s, 1e6 * apart, float(np.ptp(ahead_s - apart * raw_s))


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


def _misplaced(fit: HostFit, at_s: Sequence[float]) -> float:
    """Standard uncertainty from the places of the unreported losses, as a share of the time.

    Beats between the true place and the found one are moved by the loss and should not be, or the other way round. A line over
    the span T through beats of which those in d seconds at the time t are off by s tilts by 12 s d (t - T/2) / T^3.
    """
    tilts = [
        12 * size_s * place_s * (t_s / fit.span_s - 0.5) / fit.span_s**2
        for (_, size_s), place_s, t_s in zip(fit.silent, fit.place_s, at_s, strict=True)
    ]
    return math.hypot(*tilts)


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
