"""Sentences of the jobs, reworded for the page.

Input: a sentence that may name an option of a command, as the terminal needs it. Output: the same sentence with the
page's field, button or place instead. Only the instruction to the reader is reworded; nothing is decided here.
"""

from __future__ import annotations

import re

__all__ = ["page_words"]

COMMANDS = "adjust|analyse|arc|clock|compare|correct|digest|freeswing|handcheck|inbeat|lift|listen|note|portrait|report|spring"
RECORD = "the clock's record"

SAID_OTHERWISE = (
    # the clock
    (r"keep one with analyse --clock, or give --rate or --reading", "listen to it, or read a recording and keep it"),
    (r", or give --rate or --reading", ""),
    (r"give (?:both, )?--regulator-low and -high", f"fill in its lowest and highest setting in {RECORD}"),
    (
        r"leave out --no-weights, or give the regulator's travel with --regulator-low and --regulator-high",
        f"let the weights be changed, or fill in the regulator's travel in {RECORD}",
    ),
    (r"set where it stands with clock change --regulator-setting", f"set where it stands in {RECORD}"),
    (r" \(--weighed [^)]*\)", ""),
    (
        r"watch the balance while torsionbeat inbeat shows the side of each beat, or teach it once with torsionbeat "
        r"clock sides",
        f"watch the balance while Set in beat shows the side of each beat, and write into {RECORD} what you call the sides",
    ),
    (r"torsionbeat freeswing finds it", "a free swing, under By hand, finds it"),
    (r" \(torsionbeat handcheck\)", " (The minute hand, under By hand)"),
    # the period and the lift
    (r"add --period", f"put it into {RECORD}, or read the recording again with it"),
    (r"(?:or )?give the nominal period with --period", "or give the clock's period"),
    (r"give it with --period \(full period, out and back(?:, s)?\)", "fill it in: seconds for out and back"),
    (r"and give --period", "and give the clock's period"),
    (r"that --period is right", "that this is its period"),
    (r"([Cc])heck --(period|lift)", r"\1heck the \2"),
    (r"add --lift with the angle", f"put it into {RECORD}, or read the recording again with it: the angle"),
    (r"give --lift too", "give the lift too"),
    (r" \(--lift\)", ""),
    # the crystal
    (
        r"needs --sample-clock-ppm, a quartz clock in the room and --reference-interval, or a night recorded with "
        r"torsionbeat listen",
        "needs a night that this page listens to, or the hands checked against a time signal for a week",
    ),
    (r"state its error with --sample-clock-ppm, listen live, or", "listen with this computer, or"),
    # listening
    (r"listen with torsionbeat inbeat", "follow it under Set in beat"),
    (r"try --check --for 5min", "listen for twenty minutes instead"),
    (r"see with listen --check whether the microphone is well placed", "check the microphone"),
    (r"see it with listen --follow, or", "see it under Listen, or"),
    # two nights
    (r" \(--swap-sides\)", ""),
    (r": say so with --same-(?:recorder|place)", ": say so above"),
    (r", say so with --same-place", ", say so above"),
    (r" \(--same-place\)", ""),
    (r": --all shows them", ", and stand below"),
    (r"read the recording again with --clock", "read the recording again"),
    # the log
    (r"if all is as it should be, keep it with --keep-anyway", "if all is as it should be, keep it all the same"),
    (r"if that is wrong, give --began", "if that is wrong, say when it was recorded"),
    (r"check --when", "check the day and hour"),
    (r"keep it again with --detail .*", "put that right in its life"),
    (r"(?:bring|take|add) (it|that one|this one|that)( back)?( first)? ?with: torsionbeat clock (?:restore|undo|amend)"
     r"(?: [^.,]*)?", r"set \1 right\3 in its life"),
    (r"torsionbeat clock show says", "its life says"),
    (r"add it with: torsionbeat clock add NAME", "add it under Clocks"),
    (r"torsionbeat clock list shows all", "all are under Clocks"),
    (r"nothing to change on (.*) was given; see torsionbeat clock change --help", r"nothing was changed on \1"),
    (r"check --log, or begin one there with: .*", "check the path with which the page was started"),
    (r"([Pp])ass --log PATH( for [^.]*)?", lambda found: ("S" if found[1] == "P" else "s") + "tart the page with another log"),
    # the rest: the option's own name, and where the command is on the page
    (r"read it by itself with --channel \d+", "record that channel by itself"),
    (r" \(--[a-z][^)]*\)", ""),
    (r"--(?!lan\b)([a-z]+)-?", r"\1 "),
    (rf"torsionbeat ({COMMANDS})\b", r"the command \1 of a terminal"),
)  # fmt: skip
"""Pairs: a regular expression for the terminal's words, and the page's words."""

_RULES = tuple((re.compile(pattern), words) for pattern, words in SAID_OTHERWISE)


def page_words(said: str) -> str:
    """Reword a job's sentence for the page.

    Examples
    --------
    >>> page_words("It is far from the nominal: check that --period is right.")
    'It is far from the nominal: check that this is its period.'
    >>> page_words("Begin again with --pace 20.")
    'Begin again with pace 20.'
    >>> page_words("It goes well.")
    'It goes well.'
    """
    if "--" not in said and "torsionbeat " not in said:
        return said
    for pattern, words in _RULES:
        said = pattern.sub(words, said)
    return " ".join(said.split())
