"""Two sides: what equal lifts both ways show of where each sound begins.

Where a sound begins is in doubt because of its shape, and that doubt is common to all its beats. But the balance passes the
same lift both ways, so the passages from contact to drop take the same time on both sides. Where they are alike, none of the
four sounds was timed from another of its parts, unless two of them are off equally. Where they differ, the most doubtful
sound is the likeliest to be off. One fork makes the contacts of both sides: where one begins at a smaller share of its power,
the other mostly does so too. All joint choices are weighted (a mixture of normal distributions). Output: how much later each
sound begins, with the covariance of all four. Pure; any unit of time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from torsionbeat.errors import InputError

__all__ = ["BY_BEAT_ERROR", "BY_PASSAGE", "Joint", "SoundDoubt", "beginnings_of_both", "pairs_of_choices"]

FloatArray = npt.NDArray[np.float64]

BY_BEAT_ERROR = np.array([-0.5, -0.5, 0.5, 0.5])
"""Change of the middle of side b minus that of side a, for each of contact a, drop a, contact b, drop b one unit later."""
BY_PASSAGE = (np.array([-1.0, 1.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0, 1.0]))
"""The same for the passage of side a, and for that of side b."""
_APART = BY_PASSAGE[0] - BY_PASSAGE[1]  # the same for the difference of the two passages


@dataclass(frozen=True, slots=True)
class SoundDoubt:
    """Where one mean sound may begin: later by one of ``choices``, shape (choices,), with a normal scatter ``spread`` of its own
    and one, ``shared``, that is correlated with that of the same sound of the other side."""

    choices: FloatArray
    spread: float
    shared: float = 0.0


@dataclass(frozen=True, slots=True)
class Joint:
    """How much later than stated each of contact a, drop a, contact b, drop b begins, shape (4,), and the covariance about that,
    shape (4, 4). ``unlike``: probability that the passages differ by more than the doubt of their beginnings explains."""

    later: FloatArray
    covariance: FloatArray
    unlike: float = 0.0

    def spread_of(self, weights: FloatArray) -> float:
        """Standard uncertainty of the weighted sum of the four."""
        return float(np.sqrt(weights @ self.covariance @ weights))


def pairs_of_choices(places: FloatArray, alike: float) -> FloatArray:
    """How likely each pair of choices is for the sounds of one kind on both sides, shape (choices, choices).

    Parameters
    ----------
    places : ndarray
        shape (choices,): by how many of its standard deviations each choice lies from the likeliest.
    alike : float
        Correlation of both sides' places, from 0 to below 1.

    Returns
    -------
    ndarray
        A normal distribution of two variables, taken at the choices; its sum is 1.

    Raises
    ------
    InputError
        A correlation of 1 or more, or below 0.

    Examples
    --------
    >>> pairs = pairs_of_choices(np.array([-1.0, 0.0, 1.0]), 0.7)
    >>> print(f"{pairs[0, 0] / pairs[0, 2]:.1f}")  # exp(2 * 0.7 / (1 - 0.7**2))
    15.6
    """
    if not 0 <= alike < 1:
        raise InputError(f"correlation is {alike:g}; from 0 to below 1 it can be weighed.")
    one, two = np.meshgrid(places, places, indexing="ij")
    pairs = np.exp(-0.5 * (one**2 - 2 * alike * one * two + two**2) / (1 - alike**2))
    return np.asarray(pairs / pairs.sum())


def beginnings_of_both(
    sounds: Sequence[SoundDoubt | None],
    pairs: FloatArray,
    *,
    alike_forks: float,
    apart: tuple[float, float] | None = None,
    alike: tuple[float, float, float] = (1.0, 0.0, 0.0),
) -> Joint:
    """Estimate where the four sounds begin from all joint choices.

    Parameters
    ----------
    sounds : sequence of SoundDoubt or None
        Contact and drop of side a, contact and drop of side b; None where one is not heard.
    pairs : ndarray
        shape (choices, choices): probability of each pair of choices for the sounds of a kind on both sides
        (`pairs_of_choices`).
    alike_forks : float
        Correlation of the shared scatters of the sounds of a kind on both sides.
    apart : tuple of float, optional
        How much longer the passage of side a was measured than that of side b, and its standard uncertainty from the scatter
        of single beats.
    alike : tuple of float
        Share of clocks whose passages are alike; the standard deviation to which they are alike; and the standard deviation
        by which, in the other clocks, one of the four sounds is off because it was timed from another of its parts.

    Raises
    ------
    InputError
        ``apart`` is given, but one of the four sounds is not.

    Notes
    -----
    Each choice of beginnings is a normal distribution, conditioned on the measured difference (the update of a Kalman filter);
    their weights are those of the choice times the density of that difference.

    Examples
    --------
    One contact in doubt by 3 ms, the other sounds by 0.1; its passage comes out 4 ms longer: it begins later by nearly that.

    >>> sounds = [SoundDoubt(np.zeros(1), spread) for spread in (3.0, 0.1, 0.1, 0.1)]
    >>> joint = beginnings_of_both(sounds, np.ones((1, 1)), alike_forks=0.0, apart=(4.0, 0.1))
    >>> print(f"{joint.later[0]:.2f} {joint.spread_of(np.array([1.0, 0, 0, 0])):.2f}")
    3.98 0.20
    """
    heard = [sound is not None for sound in sounds]
    if apart is not None and not all(heard):
        raise InputError(f"passages of both sides need all four sounds; {sum(heard)} were given.")
    index, log_weight = _choices(heard, pairs)
    offsets = np.zeros((len(log_weight), 4))
    shared = np.zeros(4)
    own = np.zeros((4, 4))
    for number, sound in enumerate(sounds):
        if sound is not None:
            offsets[:, number] = sound.choices[index[:, number]]
            own[number, number] = sound.spread**2
            shared[number] = sound.shared
    fork = np.eye(4) + alike_forks * (np.eye(4, k=2) + np.eye(4, k=-2))
    own += np.outer(shared, shared) * fork
    before = np.exp(log_weight) @ offsets
    parts = [(log_weight, offsets, own)]
    unlike = 0.0
    if apart is not None:
        parts = [
            _measured(log_weight + np.log(alike[0]), offsets, own, apart, alike[1]),
            *(
                _measured(
                    log_weight + np.log(max((1 - alike[0]) / 4, 1e-300)),
                    offsets,
                    own + np.diag(one),
                    apart,
                    0.0,
                )
                for one in np.diag(np.full(4, alike[2] ** 2))
            ),
        ]
        every = np.array([logsumexp(part[0]) for part in parts])
        unlike = float(1 - np.exp(every[0] - logsumexp(every)))
    share = np.concatenate([part[0] for part in parts])
    share = np.exp(share - logsumexp(share))
    means = np.concatenate([part[1] for part in parts])
    # The stated times are the means before the sides were compared: only the comparison moves them.
    later = share @ means - before if apart is not None else np.zeros(4)
    rest = means - later
    covariance = np.einsum("n,ni,nj->ij", share, rest, rest)
    sizes = np.array([len(part[0]) for part in parts])
    shares = np.add.reduceat(share, np.concatenate([[0], np.cumsum(sizes)[:-1]]))
    covariance += sum(one * part[2] for one, part in zip(shares, parts, strict=True))
    return Joint(later, covariance, unlike)


def _choices(heard: list[bool], pairs: FloatArray) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Every joint choice (choices, 4), and the logarithm of its probability."""
    count, weights = len(pairs), pairs.sum(axis=1)
    grids, logs = [], []
    for contact_or_drop in (0, 1):
        pair = [heard[contact_or_drop], heard[contact_or_drop + 2]]
        one, two = np.meshgrid(np.arange(count if pair[0] else 1), np.arange(count if pair[1] else 1))
        share = pairs[one, two] if all(pair) else weights[one + two] if any(pair) else np.ones(one.shape)
        grids.append((one.ravel(), two.ravel()))
        logs.append(np.log(np.maximum(share.ravel(), 1e-300)))
    contacts, drops = (np.arange(len(log)) for log in logs)
    contacts, drops = (part.ravel() for part in np.meshgrid(contacts, drops))
    index = np.stack(
        [grids[0][0][contacts], grids[1][0][drops], grids[0][1][contacts], grids[1][1][drops]], axis=1
    )
    return index, logs[0][contacts] + logs[1][drops]


def _measured(
    log_weight: FloatArray,
    offsets: FloatArray,
    own: FloatArray,
    apart: tuple[float, float],
    tolerance: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weights, means and covariance after the passages' difference was measured (the update of a Kalman filter)."""
    missing = apart[0] + offsets @ _APART
    total = float(_APART @ own @ _APART) + apart[1] ** 2 + tolerance**2
    gain = -own @ _APART / total
    moved = offsets + missing[:, None] * gain
    covariance = own - np.outer(gain, gain) * total
    return log_weight - 0.5 * missing**2 / total - 0.5 * np.log(total), moved, covariance
