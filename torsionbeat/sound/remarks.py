"""Sentences on what went wrong while listening, the same for live sound and for a folder read later."""

from __future__ import annotations

from collections.abc import Sequence

from torsionbeat.sound.timebase import Timebase

__all__ = ["Remark", "as_remark", "clock_remarks", "gap_remarks", "remark_codes", "timebase_remarks"]

ODD_PACE_PPM = 1000.0
"""No crystal is off by a thousandth: such a device's pace differs from its stated one."""


class Remark(str):
    """A doubt for the user: a plain sentence, with a stable code that programs may act on.

    It prints, joins and is stored as its sentence. Decisions depend only on ``code``, never on the wording.

    Parameters
    ----------
    code : str
        Lower case words joined by hyphens, such as ``gap`` or ``period-far-from-nominal``; never changed once released.
    text : str
        The sentence.

    Examples
    --------
    >>> remark = Remark("gap", "Nothing was heard for 0.50 s at 1.0 s: the microphone was away.")
    >>> remark.code, remark[:7]
    ('gap', 'Nothing')
    """

    __slots__ = ("code",)
    code: str

    def __new__(cls, code: str, text: str) -> Remark:
        """Make the sentence and tie its code to it."""
        made = super().__new__(cls, text)
        made.code = code
        return made

    def __reduce__(self) -> tuple[type[Remark], tuple[str, str]]:
        """Let a pickled remark keep its code."""
        return Remark, (self.code, str(self))


def as_remark(text: str, code: str = "unnamed") -> Remark:
    """Turn a sentence into a remark; one that already has a code keeps it.

    Parameters
    ----------
    text : str
    code : str
        For a sentence without one.
    """
    return text if isinstance(text, Remark) else Remark(code, text)


def remark_codes(remarks: Sequence[str]) -> list[str]:
    """Codes of remarks, in their order.

    >>> remark_codes([Remark("gap", "Nothing was heard."), "An old sentence."])
    ['gap', 'unnamed']
    """
    return [as_remark(remark).code for remark in remarks]


def gap_remarks(gaps: Sequence[tuple[int, int, str]], sample_rate_hz: float, most: int = 5) -> list[Remark]:
    """Sentences on gaps (start_frame, stop_frame, why): the first few one by one, the rest in all.

    Parameters
    ----------
    gaps : sequence of (int, int, str)
        Start, stop (frames) and why.
    sample_rate_hz : float
        Samples a second.
    most : int
        How many are listed one by one.

    Examples
    --------
    >>> gap_remarks([(48_000, 72_000, "the microphone was away")], 48_000)
    ['Nothing was heard for 0.50 s at 1.0 s: the microphone was away.']
    """
    remarks = [
        Remark(
            "gap",
            f"Nothing was heard for {(stop - start) / sample_rate_hz:.2f} s "
            f"at {start / sample_rate_hz:.1f} s: {why}.",
        )
        for start, stop, why in gaps[:most]
    ]
    rest = gaps[most:]
    if rest:
        lost_s = sum(stop - start for start, stop, _ in rest) / sample_rate_hz
        remarks.append(Remark("more-gaps", f"{len(rest)} more gaps come to {lost_s:.2f} s."))
    return remarks


def timebase_remarks(timebase: Timebase, sample_rate_hz: float, doubled_frames: int = 0) -> list[Remark]:
    """Sentences on the result of the count of frames against the computer's clock.

    Parameters
    ----------
    timebase : Timebase
    sample_rate_hz : float
        As the microphone states it.
    doubled_frames : int
        Frames that were handed over twice.

    Examples
    --------
    >>> print(*timebase_remarks(Timebase("host clock", 0.0, 1.0, True, silent=((48_000, 0.1),)), 48_000))
    Sound was lost without a word: 0.100 s at 1.0 s. It was found by the computer's clock and counts as a gap.
    """
    remarks = []
    if timebase.silent:
        told = ", ".join(
            f"{lost_s:.3f} s at {at / sample_rate_hz:.1f} s" for at, lost_s in timebase.silent[:5]
        )
        more = len(timebase.silent) - 5
        told += f" and {more} times more" if more > 0 else ""
        remarks.append(
            Remark(
                "lost-without-a-word",
                f"Sound was lost without a word: {told}. It was found by the computer's clock and counts as a gap.",
            )
        )
    if timebase.source == "host clock" and abs(timebase.offset_ppm) > ODD_PACE_PPM:
        frames = sample_rate_hz * (1 + timebase.offset_ppm * 1e-6)
        remarks.append(
            Remark(
                "pace-not-as-stated",
                f"The microphone delivers {frames:.0f} frames in a second of the computer's clock and says "
                f"{sample_rate_hz:.0f}: all times are by the computer's clock. Try another microphone or sample rate.",
            )
        )
    if doubled_frames:
        remarks.append(
            Remark(
                "handed-over-twice",
                f"{doubled_frames / sample_rate_hz:.2f} s of sound were handed over twice and left out once.",
            )
        )
    return remarks


def clock_remarks(steps_s: Sequence[float], most: int = 5) -> list[Remark]:
    """At most one sentence on steps of the computer's clock of day.

    >>> clock_remarks([2.5, -0.4])
    ["The computer's clock of day was set while recording (+2.50 s, -0.40 s); no time rests on it."]
    """
    if not steps_s:
        return []
    sizes = ", ".join(f"{step_s:+.2f} s" for step_s in steps_s[:most])
    more = f" and {len(steps_s) - most} times more" if len(steps_s) > most else ""
    return [
        Remark(
            "clock-set",
            f"The computer's clock of day was set while recording ({sizes}{more}); no time rests on it.",
        )
    ]
