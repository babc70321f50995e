"""The words of the trade as this package uses them, and the cautions that go with the work."""

from __future__ import annotations

__all__ = ["CAUTIONS", "WORDS"]

WORDS = (
    ("Swing", "passage of the balance from one turning point to the other: half a period."),
    ("Period", "two swings, out and back."),
    ("Rate", "what the clock gains (+) or loses (-), in seconds a day."),
    (
        "Arc",
        "angle from one turning point to the other, as ornaments are counted at the bench, where it is often "
        "called amplitude; half of it is the physicist's amplitude.",
    ),
    ("Beat", "one passage through the middle, with its sounds."),
    ("Contact", "first sound of a beat: pin or roller meets the fork."),
    ("Drop", "loudest sound of a beat: a tooth lands on the other pallet."),
    ("Lift", "angle through which the balance turns from contact to drop; the arc is worked out from it."),
    (
        "Side",
        "which way the balance goes at a beat, a or b. Sound alone cannot tell clockwise from anticlockwise.",
    ),
    ("Beat error", "half the difference between the intervals a to b and b to a, in milliseconds."),
    ("Offset", "the same fault as an angle: middle of the lift against the balance's position of rest."),
    ("Knock arc", "arc at which the roller, coming all the way round, strikes the fork from outside."),
    ("Free swing", "the balance swinging down with no drive; it shows what damps it."),
    ("Q", "how slowly a free swing dies away: pi times the periods in which the arc falls to 37 %."),
    ("Timebase", "how the samples of a recording become seconds, and how well that is known."),
    (
        "Wander (Allan deviation)",
        "how far the rate over one stretch of time differs from that over the next, equally long.",
    ),
    (
        "95 % interval",
        "the true value lies in it about 95 times in 100. \N{PLUS-MINUS SIGN} gives half of its width.",
    ),
)

CAUTIONS = (
    "Lock the balance before the clock is moved.",
    "The bellows of an air-driven clock hold a flammable, volatile filling under pressure: never heat, "
    "puncture or solder near it.",
    "Springs and suspension strips are sharp; a mainspring is under power until it is let down.",
    "Solvents and lacquers need ventilation, gloves and no flame.",
    "A mains-fed pickup or amplifier stays away from the movement.",
    "Where local codes or a licensed trade apply, they come first.",
)
