"""The evidence figure: what its artists hold, what empty panels say, and the files it goes into."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from matplotlib.figure import Figure

from torsionbeat.display.evidence import evidence_figure, plot_what_remains
from torsionbeat.reading.figures import Clock, Swings


def panel(figure, title):
    return next(axes for axes in figure.axes if axes.get_title(loc="left").startswith(title))


def points(axes, label):
    return next(line for line in axes.lines if line.get_label() == label).get_xydata()


def words(axes):
    return " ".join(text.get_text() for text in axes.texts).replace("\n", " ")


@pytest.fixture(scope="module")
def figure(night, twin_readings):
    return evidence_figure(night, twin_readings.voices())


def test_stretches_have_the_rate_of_the_night_and_their_intervals_hold_it(figure, night):
    axes = panel(figure, "Rate")
    (bars,) = (one for one in axes.containers if hasattr(one, "has_yerr"))
    rates = bars.lines[0].get_ydata()
    assert len(rates) == 24
    rate = night.rate_s_per_day.nominal_value
    assert np.mean(rates) == pytest.approx(rate, abs=0.1)
    halves = np.array([np.ptp(segment[:, 1]) / 2 for segment in bars.lines[2][1].get_segments()])
    # the clock's own wander is not in a stretch's own interval: more than half of them must hold the mean still
    assert np.mean(np.abs(rates - rate) < halves) > 0.5


def test_stretches_lie_end_to_end(figure):
    (bars,) = (one for one in panel(figure, "Rate").containers if hasattr(one, "has_xerr"))
    ends = np.array([segment[:, 0] for segment in bars.lines[2][0].get_segments()])
    assert np.all(ends[1:, 0] >= ends[:-1, 1])
    assert ends[0, 0] < 0.05
    assert ends[-1, 1] > 3.95  # hours of four


def test_without_a_nominal_period_the_rate_is_drawn_against_its_mean(night):
    unknown = replace(night, clock=Clock(), rate_s_per_day=None)
    axes = panel(evidence_figure(unknown, sound=False), "Rate against its mean")
    (bars,) = (one for one in axes.containers if hasattr(one, "has_yerr"))
    assert np.mean(bars.lines[0].get_ydata()) == pytest.approx(0, abs=0.1)


def test_what_remains_is_centred_and_as_wide_as_the_jitter(figure):
    axes = panel(figure, "What remains")
    rest = np.concatenate([line.get_ydata() for line in axes.lines if line.get_marker() in "os"])
    assert len(rest) == 480
    assert np.std(rest) == pytest.approx(0.5 / np.sqrt(2), rel=0.1)  # mean of two sounds of 0.5 ms


def test_arcs_limits_and_knock_arc_are_drawn(figure, night):
    axes = panel(figure, "Arc")
    assert len(points(axes, "side a")) + len(points(axes, "side b")) == 480
    labels = [text.get_text() for text in axes.get_legend().get_texts()]
    # the limits are told where the arcs would be a line between them
    assert labels == ["side a", "side b", "mean, 95 %", "healthy, 380 to 480", "knock at 520, above"]
    assert axes.get_xlim() == (0, 4)
    low, high = axes.get_ylim()
    assert 380 < low < 420
    assert 440 < high < 480


def test_limits_near_the_arcs_are_drawn(night):
    near = replace(night, clock=replace(night.clock, arc_low_deg=425, arc_high_deg=460, knock_arc_deg=470))
    axes = panel(evidence_figure(near, sound=False), "Arc")
    low, high = axes.get_ylim()
    assert low < 425
    assert high > 470
    assert [line.get_ydata()[0] for line in axes.lines if line.get_linestyle() == "-."] == [470]


def test_contact_and_drop_are_marked_a_lift_passage_apart(figure, night):
    for side in "ab":
        axes = panel(figure, f"Sound of a beat, side {side}")
        marks = sorted(line.get_xdata()[0] for line in axes.lines if line.get_linestyle() == ":")
        passage_ms = 1e3 * np.median(night.swings.lift_passage_s[night.swings.side == side])
        assert marks[1] == 0
        assert -passage_ms < marks[0] < -96  # the contact's own 64 frames of 1.5 ms, and the gap
        assert f"lift passage {passage_ms:.0f} ms, shortened" in words(axes)
        labels = [text.get_text() for text in axes.get_xticklabels()]
        assert labels.count("0") == 2  # each sound has its own zero


def test_a_short_lift_passage_is_drawn_to_scale(night, twin_readings):
    s = night.swings
    quick = Swings(s.number, s.time_s, s.side, s.period_s, 0.12 + 0 * s.time_s, s.arc_deg)
    figure = evidence_figure(replace(night, swings=quick), twin_readings.voices())
    axes = panel(figure, "Sound of a beat, side a")
    assert min(line.get_xdata()[0] for line in axes.lines if line.get_linestyle() == ":") == pytest.approx(
        -120
    )
    assert words(axes).endswith("lift passage 120 ms")


def test_every_axis_with_data_names_its_unit(figure):
    for axes in figure.axes:
        assert axes.get_ylabel().endswith(")")
        assert axes.get_xlabel()


def test_what_has_no_data_gives_its_room_and_is_named_at_the_foot(drop_only):
    figure = evidence_figure(drop_only)
    assert [axes.get_title(loc="left") for axes in figure.axes] == [
        "Rate (+ gains)",
        "What remains of each beat's time",
    ]
    assert figure.get_supxlabel().startswith("Not measured: arc, sound of a beat;")


def test_clock_day_and_recording_stand_at_the_head(night):
    moment = datetime(2026, 3, 1, 20, 0).astimezone()
    figure = evidence_figure(night, sound=False, taken_at=moment)
    assert figure.get_suptitle() == "Harbour lamp   2026-03-01 20:00   night.flac"


def test_the_panels_of_the_sound_can_be_left_out(night):
    titles = [axes.get_title(loc="left") for axes in evidence_figure(night, sound=False).axes]
    assert titles == ["Rate (+ gains)", "What remains of each beat's time", "Arc (amplitude end to end)"]


def test_a_drop_without_contact_is_drawn_alone(drop_only, twin_readings):
    figure = evidence_figure(drop_only, twin_readings.voices(contact=False))
    axes = panel(figure, "Sound of a beat, side b")
    assert [line.get_xdata()[0] for line in axes.lines if line.get_linestyle() == ":"] == [0]
    assert axes.get_xlabel() == "time from drop (ms)"
    assert "lift passage" not in words(axes)


def test_a_reading_with_no_beats_or_one_is_drawn_without_figures(night):
    for count in (0, 1):
        few = Swings(
            *(getattr(night.swings, name)[:count] for name in ("number", "time_s", "side", "period_s")),
            night.swings.lift_passage_s[:count],
            night.swings.arc_deg[:count],
        )
        bare = replace(
            night, swings=few, period_s=None, rate_s_per_day=None, arc_deg=None, beat_error_ms=None
        )
        figure = evidence_figure(bare)
        assert "too few for a rate" in words(panel(figure, "Rate"))


def test_what_remains_is_drawn_from_the_beats_where_no_line_is_given(night):
    axes = Figure().add_subplot()
    plot_what_remains(axes, night)
    drawn = np.concatenate([line.get_ydata() for line in axes.lines if len(line.get_ydata()) > 2])
    assert len(drawn) == len(night.swings)
    assert np.std(drawn) < 2  # ms: the night's jitter and wander
