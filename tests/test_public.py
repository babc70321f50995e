"""The public names: these and no others, each where it says, and none loaded before it is asked for."""

from __future__ import annotations

import io
import subprocess
import sys

import numpy as np
import pytest

import torsionbeat as tb
from torsionbeat.reading.figures import Events, Swings

NAMES = [
    "AdviseRequest",
    "CheckMicrophoneRequest",
    "Clock",
    "Facts",
    "HandCheckRequest",
    "HearRequest",
    "KnownClock",
    "ListenRequest",
    "Listening",
    "Microphone",
    "Playback",
    "Reading",
    "ReportRequest",
    "SetBeatRequest",
    "Sighting",
    "Stock",
    "StripRequest",
    "TorsionbeatError",
    "Trial",
    "TwinClock",
    "TwoOffsetsRequest",
    "__version__",
    "advise",
    "analyse",
    "analyse_fully",
    "check_microphone",
    "compare",
    "comparison_figure",
    "correct",
    "devices",
    "evidence_figure",
    "finish_night",
    "free_swing",
    "from_reading",
    "hand_check",
    "hear",
    "learn",
    "listen",
    "open_log",
    "print_reading",
    "prior_response",
    "reading_document",
    "report",
    "running_nights",
    "set_beat",
    "simulate",
    "strip",
    "two_offsets",
]


def test_the_public_names_are_these():
    assert tb.__all__ == NAMES
    assert dir(tb) == sorted(NAMES)
    for name in NAMES:
        assert getattr(tb, name) is not None
        assert name == "__version__" or name in tb.__doc__


def test_the_names_a_type_checker_sees_are_the_ones_that_are_loaded():
    assert set(tb._HOMES) | {"__version__"} == set(NAMES)
    for name, home in tb._HOMES.items():
        assert getattr(sys.modules[f"torsionbeat.{home}"], name) is getattr(tb, name)


def test_another_name_is_refused():
    with pytest.raises(AttributeError, match="module 'torsionbeat' has no attribute 'analyze'"):
        _ = tb.analyze


def test_importing_the_package_loads_nothing_else():
    script = (
        "import sys, torsionbeat; print([name for name in sys.modules if name.startswith('torsionbeat') or "
        "name in ('numpy', 'scipy', 'uncertainties', 'typer')])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['torsionbeat.version', 'torsionbeat']"


@pytest.fixture
def swings():
    return Swings(
        number=[0, 1, 3],
        time_s=[1.0, 4.0, 10.0],
        side=["a", "b", "b"],
        period_s=[np.nan, np.nan, 6.0],
        lift_passage_s=[0.1, np.nan, 0.1],
        arc_deg=[400.0, np.nan, 401.5],
    )


def test_swings_are_written_as_csv_with_nothing_for_what_could_not_be_had(swings):
    file = io.StringIO()
    swings.to_csv(file)
    assert file.getvalue() == (
        "number,time_s,side,period_s,lift_passage_s,arc_deg\n"
        "0,1.0,a,,0.1,400.0\n1,4.0,b,,,\n3,10.0,b,6.0,0.1,401.5\n"
    )


def test_swings_go_to_pandas(swings):
    pytest.importorskip("pandas")
    table = swings.to_pandas()
    assert list(table.index) == [0, 1, 3]
    assert list(table.columns) == ["time_s", "side", "period_s", "lift_passage_s", "arc_deg"]
    assert table.arc_deg.mean() == 400.75
    assert (table.side == ["a", "b", "b"]).all()


def test_events_are_a_label_track():
    file = io.StringIO()
    Events([1.5, 1.75], ["a", "a"], ["contact", "drop"], [20, 40]).to_labels(file)
    assert file.getvalue() == "1.500000\t1.500000\ta contact\n1.750000\t1.750000\ta drop\n"
