"""The digest: sides left and right, labels on the sounds, slower at the same pitch."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.beat_sounds.cuts import BeatCut
from torsionbeat.beat_sounds.digest import GAP_S, digest_pieces
from torsionbeat.errors import InputError

RATE_HZ = 16_000


def cut(number, peak=0.2, tone_hz=2000.0, contact_s=0.1):
    """Give a beat of half a second: a tone that begins at its contact and one that begins at its drop."""
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    sound = np.zeros(len(t))
    for begin in (contact_s, 0.3):
        if np.isfinite(begin):
            after = np.maximum(t - begin, 0)
            sound += peak * (t >= begin) * np.sin(2 * np.pi * tone_hz * after) * np.exp(-after / 0.01)
    return BeatCut(number, "ab"[number % 2], 30.0 * number, sound.astype(np.float32), contact_s, 0.3)


def test_side_a_is_on_the_left_and_side_b_on_the_right():
    pieces = [piece for piece, _ in digest_pieces([cut(0), cut(1)], RATE_HZ)]
    assert pieces[0][:, 0].any()
    assert not pieces[0][:, 1].any()
    assert pieces[1][:, 1].any()
    assert not pieces[1][:, 0].any()


@pytest.mark.parametrize("slower", [1.0, 4.0])
def test_labels_stand_where_the_sounds_begin(slower):
    made = list(digest_pieces([cut(0), cut(1), cut(2)], RATE_HZ, slower=slower))
    sound = np.concatenate([piece for piece, _ in made]).sum(axis=1)
    labels = [label for _, group in made for label in group]
    assert [label.text for label in labels[:3]] == ["beat 0 a at 0.0 s", "contact a", "drop a"]
    for label in labels:
        if not label.text.startswith("beat"):
            at = round(label.start_s * RATE_HZ)
            reach = round(0.02 * slower * RATE_HZ)
            before = np.abs(sound[at - reach : at - round(0.006 * slower * RATE_HZ)]).max()
            after = np.abs(sound[at : at + reach]).max()
            assert after > 10 * before
    assert labels[3].start_s == pytest.approx(slower * 0.5 + GAP_S)


def test_slower_keeps_the_pitch():
    (piece, _), *_ = digest_pieces([cut(0)], RATE_HZ, slower=4.0)
    spectrum = np.abs(np.fft.rfft(piece[:, 0]))
    assert np.argmax(spectrum) * RATE_HZ / len(piece) == pytest.approx(2000, rel=0.05)


def test_levelled_beats_are_equally_loud():
    pieces = [piece for piece, _ in digest_pieces([cut(0, 0.01), cut(2, 0.9)], RATE_HZ, levelled=True)]
    peaks = [np.abs(piece).max() for piece in pieces]
    assert peaks == pytest.approx([0.5, 0.5], rel=1e-6)


def test_a_beat_without_contact_has_no_label_for_it():
    ((_, labels),) = digest_pieces([cut(1, contact_s=float("nan"))], RATE_HZ)
    assert [label.text for label in labels] == ["beat 1 b at 30.0 s", "drop b"]


def test_silence_stays_silence():
    quiet = BeatCut(0, "a", 0.0, np.zeros(100, np.float32), 0.001, 0.002)
    ((piece, _),) = digest_pieces([quiet], RATE_HZ, levelled=True)
    assert not piece.any()


@pytest.mark.parametrize("slower", [0.5, 9.0])
def test_other_speeds_are_refused(slower):
    with pytest.raises(InputError, match="between 1 and 8 times"):
        next(iter(digest_pieces([cut(0)], RATE_HZ, slower=slower)))
