"""Recordings heard one process each: in the order they were given, each with its own error, progress to the end."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from torsionbeat.bench.batch import analyse_many, cores, outcome_of
from torsionbeat.errors import CancelledError, InputError, NothingHeardError
from torsionbeat.reading.analysis import Listening
from torsionbeat.reading.figures import Clock

CLOCK = Clock(nominal_period_s=6.0)


@pytest.fixture
def silence(tmp_path):
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(8000 * 20), 8000)
    return str(path)


def test_an_error_of_ours_becomes_the_outcome_and_a_call_to_end_does_not(silence, tmp_path):
    quiet = outcome_of(silence, CLOCK, Listening())
    assert quiet.analysis is None
    assert isinstance(quiet.error, NothingHeardError)
    assert isinstance(outcome_of(str(tmp_path / "none.wav"), CLOCK, Listening()).error, InputError)

    def end(_done, _of):
        raise CancelledError("ended")

    with pytest.raises(CancelledError, match="ended"):
        outcome_of(silence, CLOCK, Listening(), end)


def test_outcomes_are_in_the_order_given_and_progress_never_goes_back(silence, tmp_path):
    paths = [silence, str(tmp_path / "none.wav")]
    shares = []
    outcomes = analyse_many(paths, CLOCK, Listening(), shares.append, processes=1)
    assert [one.path for one in outcomes] == paths
    assert [type(one.error) for one in outcomes] == [NothingHeardError, InputError]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_no_more_cores_are_taken_than_this_process_may_use(monkeypatch):
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {0, 3}, raising=False)
    assert cores() == 2
    monkeypatch.delattr("os.sched_getaffinity", raising=False)
    monkeypatch.setattr("os.cpu_count", lambda: None)
    assert cores() == 1
