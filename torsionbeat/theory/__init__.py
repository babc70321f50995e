"""Formulas of the trade: pure functions of numbers and arrays, each with its source.

Import the module that holds the formula:

==============  =======================================================================================
`swing`         arc, offset and lift passage from one another; beat error; knock; speed at the middle
`rate`          period and rate; the straight line through a row of beats; conversions
`decay`         free swing, Q, settling
`escapement`    the power the drive must give, and what it does to the period
`spring`        the suspension strip: stiffness, period, arc's effect, stresses, temperature
`strip_change`  what each measure of the strip does to the rate; the strip that brings a clock to time
`weights`       masses and inertia of weights; grams that bring a clock to time
`materials`     strip alloys and weight metals, each with its source
`stability`     Allan deviations with gaps and confidence limits
`noise`         which noise dominates a record, and the degrees of freedom it leaves
`limits`        what an argument may be, and the sentence that says so
==============  =======================================================================================

Functions take and return plain numbers or arrays. For values with uncertainty wrap them::

    from uncertainties import ufloat, wrap
    arc = wrap(swing.arc_deg)(passage_s, period_s, ufloat(20, 0.3))
"""
