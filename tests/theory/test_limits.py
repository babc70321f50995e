"""What the formulas say to an argument that is none: a sentence, and never numpy's own error or a silent nan."""

from __future__ import annotations

import inspect
from itertools import product

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory import decay, escapement, noise, rate, spring, stability, strip_change, swing, weights
from torsionbeat.theory.limits import as_numbers, one_number, whole_number

STRIP = spring.Strip(0.5, 0.1, 100, 48.3, 128)
TYPICAL = {
    "strip": STRIP, "now": STRIP, "new": STRIP, "load_g": 300.0, "arc_deg": 270.0, "period_s": 15.0, "nominal_period_s": 15.0,
    "q": 500.0, "ratio": 0.3, "before_deg": 2.0, "after_deg": 8.0, "arc_start_deg": 270.0, "arc_end_deg": 200.0,
    "lift_deg": 20.0, "diameter_mm": 12.0, "bore_mm": 3.0, "inertia_g_mm2": 4e5, "passage_s": 0.35, "beat_error_ms": 20.0,
    "degrees_of_freedom": 5.0, "value": 1.0, "edf": 10.0, "confidence": 0.95, "alpha": 0, "factor": 2, "points": 100,
    "phase_s": np.sin(np.arange(50.0)), "tau0_s": 7.5, "measure": "width_mm",
}  # fmt: skip
MODULES = (decay, escapement, noise, rate, spring, stability, strip_change, swing, weights)
NO_NUMBERS = {
    "strip",
    "now",
    "new",
    "lie",
    "kind",
    "law",
    "measure",
    "side",
    "both_sides",
    "drive_deg_per_s2",
    "curve",
    "fits",
}


def formulas():
    """Every public formula of plain numbers, with the numbers it takes."""
    for module in MODULES:
        for name in module.__all__:
            function = getattr(module, name)
            if not inspect.isfunction(function):
                continue
            parameters = inspect.signature(function).parameters
            known = {
                key: TYPICAL.get(key, 5.0 if one.default is one.empty else one.default)
                for key, one in parameters.items()
            }
            if not NO_NUMBERS & {
                key for key, value in known.items() if isinstance(value, float) and value == 5.0
            }:
                yield f"{module.__name__.rsplit('.', 1)[1]}.{name}", function, known


def numbers_of(known):
    return [key for key, value in known.items() if key not in NO_NUMBERS and value is not None]


CASES = [
    (f"{where}({key}={bad!r})", function, {**known, key: bad})
    for where, function, known in formulas()
    for key, bad in product(numbers_of(known), (None, "x", 1 + 2j, [None, 1.0]))
]


@pytest.mark.parametrize("case", CASES, ids=[name for name, _, _ in CASES])
def test_what_is_no_number_is_refused_in_words(case):
    _, function, arguments = case
    with pytest.raises(InputError, match=r"number|it must be|defined from"):
        function(**arguments)


def test_there_are_many_of_them():
    assert len(CASES) > 300


@pytest.mark.parametrize(
    "call",
    [
        lambda two, three: swing.arc_deg(two, three, 20),
        lambda two, three: rate.rate_s_per_day(two, three),
        lambda two, three: decay.arc_at_deg(two, three),
        lambda two, three: weights.added_mass_rate_s_per_day(two, three, 4e5),
        lambda two, three: escapement.impulse_lengthening(500, two, three, 270),
        lambda two, three: spring.temperature_lengthening_per_k(two, three, 19),
    ],
)
def test_arrays_that_do_not_go_together_are_refused_in_words(call):
    with pytest.raises(
        InputError, match=r"shapes \(2,\) and \(3,\) do not go together; give them equally long"
    ):
        call(np.array([1.0, 2.0]), np.array([3.0, 4.0, 5.0]))


def test_one_number_is_wanted():
    assert one_number("load", [300.0]) == 300.0
    with pytest.raises(InputError, match="load is 2 numbers; give one"):
        spring.stiffness_un_m_per_deg(STRIP, [300.0, 301.0])
    with pytest.raises(InputError, match=r"gravity is 2 numbers"):
        spring.stiffness_un_m_per_deg(STRIP, 300.0, [9.8, 9.8])


@pytest.mark.parametrize("bad", [1.5, 0, np.inf, np.nan])
def test_whole_numbers(bad):
    with pytest.raises(InputError, match=r"count is .*; it must be a whole number, at least 1: in steps"):
        whole_number("count", bad, 1, "in steps")
    assert whole_number("count", 3.0, 1) == 3


def test_numbers_keep_their_kind():
    assert as_numbers("time", [1, 2]).dtype == np.float64
    assert as_numbers("time", np.nan) != as_numbers("time", np.nan)  # a beat that was not heard may be nan
