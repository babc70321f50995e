"""The evidence figure: what its artists hold, what empty panels say, and the files it goes into."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.display.evidence import evidence_figure, save_figure
from torsionbeat.errors import DeviceError, InputError
from torsionbeat.reading.figures import Swings


def panel(figure, title):
    return next(axes for axes in figure.axes if axes.get_title(loc="left").startswith(title))


def points(axes, label):
    return next(line for line in axes.lines if line.get_label() == label).get_xydata()


def words(axes):
    return " ".join(text.get_text() for text in axes.texts).replace("\n", " ")


@pytest.fixture(scope="module")
def figure(night, twin_readings):
    return evidence_figure(night, twin_readings.voices())


def test_time_errors_fall_with_a_clock_that_gains_and_their_slope_is_its_rate(figure, night):
    axes = panel(figure, "Time error")
    for side in "ab":
        xy = points(axes, f"side {side}")
        slope_ms = np.polyfit(xy[:, 0], xy[:, 1], 1)[0]
        rate = -slope_ms / 1e3 / 30 * 86_400  # a beat is 30 s of a 60 s clock
        assert rate == pytest.approx(night.rate_s_per_day.nominal_value, abs=0.01)


def test_the_two_sides_lie_apart_by_the_beat_error(figure, night):
    axes = panel(figure, "Time error")
    a, b = (points(axes, f"side {side}") for side in "ab")
    between = (b[:-1, 1] - a[:-1, 1] + b[:-1, 1] - a[1:, 1]) / 2
    # half of (a to b minus b to a) is the distance of b from the middle of its two neighbours
    assert np.mean(between) == pytest.approx(night.beat_error_ms.nominal_value, abs=0.2)


def test_each_side_has_its_fitted_line(figure):
    lines = [line for line in panel(figure, "Time error").lines if line.get_linestyle() in ("-", "--")]
    assert len(lines) == 2
    for line in lines:
        x, y = line.get_xydata().T
        assert np.allclose(y, np.polyval(np.polyfit(x, y, 1), x), atol=1e-6)  # straight, in ms


def test_what_remains_is_centred_and_as_wide_as_the_jitter(figure):
    axes = panel(figure, "The same without")
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
        assert labels.count("0") == 2  # each sound has its own nought


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


def test_empty_panels_say_why(drop_only):
    figure = evidence_figure(drop_only)
    assert words(panel(figure, "Arc")) == "No contact was heard, so there is no lift passage and no arc."
    assert (
        words(panel(figure, "Sound of a beat, side a"))
        == "The mean sound of a beat is not kept with this reading."
    )


def test_the_panels_of_the_sound_can_be_left_out(night):
    titles = [axes.get_title(loc="left") for axes in evidence_figure(night, sound=False).axes]
    assert titles == ["Time error of every beat", "The same without the lines", "Arc (amplitude end to end)"]


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
        assert "too few for a line" in words(panel(figure, "The same without"))


@pytest.mark.parametrize(("suffix", "begins"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF")])
def test_it_is_saved_by_the_suffix_and_the_same_each_time(drop_only, tmp_path, suffix, begins):
    for name in ("one", "two"):
        save_figure(evidence_figure(drop_only), tmp_path / f"{name}{suffix}")
    one, two = ((tmp_path / f"{name}{suffix}").read_bytes() for name in ("one", "two"))
    assert one.startswith(begins)
    assert one == two


def test_a_png_is_1600_pixels_wide(figure, tmp_path):
    save_figure(figure, tmp_path / "one.png")
    assert int.from_bytes((tmp_path / "one.png").read_bytes()[16:20], "big") == 1600


def test_places_that_cannot_be_written_are_refused_in_words(figure, tmp_path):
    with pytest.raises(InputError, match=r"must end in \.png, \.svg or \.pdf"):
        save_figure(figure, tmp_path / "plot.bmp")
    with pytest.raises(InputError, match="there is no folder"):
        save_figure(figure, tmp_path / "none" / "plot.png")
    (tmp_path / "taken.png").mkdir()
    with pytest.raises(DeviceError, match=r"was not written to .*taken"):
        save_figure(figure, tmp_path / "taken.png")


def test_names_with_signs_of_mathematics_or_control_are_drawn_as_text(night):
    odd = replace(night, recording=replace(night.recording, name="cost $5$ \x07.flac"))
    figure = evidence_figure(odd)
    figure.draw_without_rendering()
    assert figure.get_suptitle() == r"cost \$5\$ ?.flac"
