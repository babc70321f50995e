"""Straight lines against NIST's certified values.

Source: NIST Statistical Reference Datasets, linear regression, "Norris" (36 observations of ozone monitors),
https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml. The numbers were read in several public
transcriptions, which agree digit for digit.
"""

from __future__ import annotations

import math

import pytest

from torsionbeat.regulation.handcheck import HandSighting, hand_check

NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
    339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5,
    778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip
SLOPE = 1.00211681802045
U_SLOPE = 0.429796848199937e-3
RESIDUAL_STANDARD_DEVIATION = 0.884796396144373


def test_a_hand_check_is_the_certified_line():
    # One x is one day. Told the certified scatter, the line has the certified slope and deviation.
    error_s = RESIDUAL_STANDARD_DEVIATION * math.sqrt(3)
    rows = sorted(zip(NORRIS_X, NORRIS_Y, strict=True))
    moments = [x * 86_400 + 1e-4 * number for number, (x, _) in enumerate(rows)]  # 0.3 stands there twice
    check = hand_check([HandSighting(at, y, error_s) for at, (_, y) in zip(moments, rows, strict=True)])
    # 1e-4 s in days moves the slope by parts in 1e11
    assert check.rate_s_per_day.nominal_value == pytest.approx(SLOPE, rel=1e-9)
    assert check.rate_s_per_day.std_dev == pytest.approx(U_SLOPE, rel=1e-9)
    assert check.remarks == ()
