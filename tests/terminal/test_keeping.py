"""Readings kept and shown: what is said of each, what a failure leaves unkept, and the exit status of it all.

Recordings are stood in for by readings; what is kept goes into a real log.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from torsionbeat.bench.batch import Outcome
from torsionbeat.benchlog import open_log
from torsionbeat.errors import BenchLogError, DeviceError, InputError, NothingHeardError
from torsionbeat.jobs.hear import HearResult
from torsionbeat.reading.figures import Clock
from torsionbeat.sound.remarks import Remark
from torsionbeat.terminal.keeping import Keeping, show_heard

BEGAN = datetime(2026, 3, 2, 20, 5, tzinfo=UTC)
DAY = f"{BEGAN.astimezone():%Y-%m-%d %H:%M}"


@pytest.fixture
def path(tmp_path):
    """Give a log with the 60 s clock Lamp."""
    place = str(tmp_path / "log.sqlite")
    with open_log(place) as log:
        log.add_clock("Lamp", nominal_period_s=60.0, lift_deg=20.0)
    return place


@pytest.fixture
def heard(tmp_path, make_night):
    """Give what makes the outcome of a recording that was heard."""

    def make(name, seed=1, remarks=(), **changes):
        file = tmp_path / name
        soundfile.write(file, np.full(1600, 1e-3 * seed), 16_000)  # each seed is another recording
        reading = replace(make_night(seed, **changes), remarks=remarks)
        return Outcome(str(file), SimpleNamespace(reading=reading, heard=SimpleNamespace(voices=())))

    return make


def failed(name, error):
    return Outcome(name, None, error)


class Files:
    """What is asked for beside the terminal."""

    def __init__(self, json_only=False, error=None):
        self.json_only, self.error, self.written = json_only, error, []

    def write(self, outcomes):
        self.written.append(outcomes)
        if self.error is not None:
            raise self.error


def rates(path):
    with open_log(path) as log:
        return [row.rate_s_per_day for row in log.readings("Lamp")]


# Kept


def test_what_was_kept_is_said_with_its_date_and_number(path, heard, capsys):
    Keeping("lamp", path, BEGAN, temperature_c=21.5).keep([heard("night.flac")])
    assert capsys.readouterr().err == f"night.flac is kept for Lamp as recorded on {DAY} (reading 1).\n"
    with open_log(path) as log:
        (row,) = log.readings("Lamp")
    assert (row.taken_at, row.temperature_c) == (BEGAN, 21.5)
    assert row.recording_path.endswith("night.flac")


def test_a_recording_read_again_is_said_to_take_the_place(path, heard, capsys):
    outcome = heard("night.flac")
    for _ in range(2):
        Keeping("Lamp", path, BEGAN).keep([outcome])
    assert (
        capsys.readouterr()
        .err.splitlines()[1]
        .endswith("(reading 2; it takes the place of the reading kept of it before).")
    )
    assert len(rates(path)) == 1


def test_a_date_taken_from_the_file_is_said_with_what_to_do_if_it_is_wrong(path, heard, capsys):
    Keeping("Lamp", path, None).keep([heard("night.flac")])
    said = capsys.readouterr().err
    assert " by " in said
    assert "if that is wrong, give --began" in said


def test_recordings_that_could_not_be_read_are_not_kept_and_hinder_none(path, heard):
    Keeping("Lamp", path, BEGAN).keep([failed("a.flac", NothingHeardError("x")), heard("b.flac")])
    assert len(rates(path)) == 1


def test_a_reading_of_another_clock_is_refused_and_the_others_are_kept(path, heard, capsys):
    strange = heard("strange.flac", seed=2, period=40.0)
    with pytest.raises(
        InputError, match=r"^strange\.flac: this reading was not kept for Lamp: .*--keep-anyway"
    ):
        Keeping("Lamp", path, BEGAN).keep([strange, heard("night.flac")])
    assert len(rates(path)) == 1
    with pytest.raises(InputError, match=r"^this reading was not kept"):  # alone it needs no name
        Keeping("Lamp", path, BEGAN).keep([strange])
    capsys.readouterr()
    Keeping("Lamp", path, BEGAN, keep_anyway=True).keep([strange])
    assert "; kept although " in capsys.readouterr().err
    assert len(rates(path)) == 2


def test_of_several_refusals_all_are_said_and_the_last_is_the_error(path, heard, capsys):
    outcomes = [heard(f"{name}.flac", seed, period=40.0) for name, seed in (("one", 2), ("two", 3))]
    with pytest.raises(InputError, match=r"^two"):
        Keeping("Lamp", path, BEGAN).keep(outcomes)
    (first,) = capsys.readouterr().err.splitlines()
    assert first.startswith("one.flac: this reading was not kept")


def test_where_the_log_fails_the_error_names_what_is_not_kept(path, heard, monkeypatch):
    from torsionbeat.jobs import keep_reading as module

    kept = module.keep_reading

    def fails_at_second(request):
        if request.recording.name == "b.flac":
            raise BenchLogError("the disk is full")
        return kept(request)

    monkeypatch.setattr(module, "keep_reading", fails_at_second)
    with pytest.raises(BenchLogError, match=r"^the disk is full \(not kept: b\.flac, c\.flac\)$"):
        Keeping("Lamp", path, BEGAN).keep([heard(f"{name}.flac", seed) for seed, name in enumerate("abc", 1)])
    assert len(rates(path)) == 1


# Shown


def result(*outcomes):
    return HearResult(outcomes, Clock("Lamp", 60.0))


def test_one_reading_is_printed_and_all_went_well(heard, capsys):
    files = Files()
    assert show_heard(result(heard("night.flac")), files, None) == 0
    out = capsys.readouterr()
    assert "gains 14" in " ".join(out.out.split())  # 86 400 (60 / 59.99 - 1) is 14.4
    assert out.err == ""
    assert len(files.written) == 1


def test_with_json_on_standard_output_only_remarks_go_to_the_other(heard, capsys):
    remark = Remark("x", "The room hums.")
    assert show_heard(result(heard("night.flac", remarks=(remark,))), Files(json_only=True), None) == 0
    out = capsys.readouterr()
    assert (out.out, out.err) == ("", "The room hums.\n")
    two = (heard("a.flac", remarks=(remark,)), heard("b.flac", 2))
    show_heard(result(*two), Files(json_only=True), None)
    assert capsys.readouterr().err == "a.flac: The room hums.\n"


def test_several_recordings_are_a_table_with_their_errors_and_the_highest_status(heard, capsys):
    outcomes = (
        heard("a.flac"), failed("b.flac", InputError("b.flac cannot be read")),
        failed("c.flac", NothingHeardError("no clock is heard in c.flac")),
    )  # fmt: skip
    assert show_heard(result(*outcomes), Files(), None) == NothingHeardError.exit_status == 3
    out = capsys.readouterr()
    assert "a.flac" in out.out
    assert out.err.splitlines() == ["b.flac cannot be read.", "no clock is heard in c.flac."]


def test_what_could_not_be_written_or_kept_is_said_and_the_reading_is_shown_all_the_same(path, heard, capsys):
    keeping = Keeping("Nobody's", path, BEGAN)
    files = Files(error=DeviceError("the disk is full"))
    status = show_heard(result(heard("night.flac")), files, keeping)
    assert status == max(DeviceError.exit_status, InputError.exit_status) == 4
    out = capsys.readouterr()
    assert "gains 14" in " ".join(out.out.split())
    first, second = out.err.splitlines()
    assert first == "the disk is full."
    assert "Nobody's" in second


def test_the_file_of_a_reading_kept_is_the_one_that_was_heard(path, heard):
    outcome = heard("night.flac")
    assert show_heard(result(outcome), Files(), Keeping("Lamp", path, BEGAN)) == 0
    with open_log(path) as log:
        (row,) = log.readings("Lamp")
    assert Path(row.recording_path) == Path(outcome.path)
