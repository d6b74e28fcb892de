"""Allan and time deviation: how a clock wanders, by averaging time (NIST SP 1065, Riley)."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

NEAR_SHARE = 0.2
"""An event stands for the end of an averaging time if it lies so near to it, as a share of it."""


def allan_deviation(
    rate: npt.ArrayLike, averages: npt.ArrayLike, overlapping: bool = True
) -> npt.NDArray[np.float64]:
    """Allan deviation of evenly spaced relative rates.

    With phase x_k (running sum of the rates) and m samples averaged:
    ``sigma^2 = mean((x[k+2m] - 2 x[k+m] + x[k])^2) / (2 m^2)`` (SP 1065, equations 10 and 12); the
    overlapping form takes every k, the plain one every m-th.

    Parameters
    ----------
    rate
        (n,) relative rates.
    averages
        Numbers m of samples averaged, each at least 1.
    overlapping
        Use every start.

    Returns
    -------
    numpy.ndarray
        One deviation for each m; NaN where fewer than one pair fits, and where a rate is NaN.

    Raises
    ------
    ValueError
        An m below 1.
    """
    y = np.asarray(rate, dtype=np.float64).ravel()
    phase = np.concatenate([[0.0], np.cumsum(y - (y.mean() if len(y) else 0.0))])
    out = []
    for m in np.asarray(averages, dtype=np.int64).ravel():
        if m < 1:
            raise ValueError(f"averaging over {m} samples; at least 1 is needed")
        second = phase[2 * m :] - 2 * phase[m:-m] + phase[: -2 * m]
        second = second if overlapping else second[::m]
        # sums over 2 m rates: the last start must leave room for both
        out.append(np.sqrt((second**2).mean() / 2.0) / m if len(second) else np.nan)
    return np.array(out)


@dataclasses.dataclass(frozen=True)
class Deviation:
    """Deviations of one clock against another, one entry for each averaging time.

    Attributes
    ----------
    tau_s
        Averaging times, as they were met on average.
    value
        The deviation; NaN where nothing fits.
    white
        What it would be if the times scattered independently with a standard deviation of 1.
    count
        Second differences behind it.
    """

    tau_s: Floats
    value: Floats
    white: Floats
    count: npt.NDArray[np.int64]


def allan_of_times(at_s: npt.ArrayLike, off_s: npt.ArrayLike, tau_s: npt.ArrayLike) -> Deviation:
    """Allan deviation from events that need not be evenly spaced.

    For each event the ones nearest to ``tau`` and twice ``tau`` after it give two rates,
    ``a`` and ``b`` seconds long; ``sigma^2 = mean((rate_b - rate_a)^2) / 2`` (SP 1065, equation 9;
    of evenly spaced events this is the overlapping form, equation 12). Independent scatter of
    standard deviation 1 gives ``mean(1/a^2 + 1/b^2 + (1/a + 1/b)^2) / 2``, which is 3 / tau^2
    where all are evenly spaced (white phase noise).

    Parameters
    ----------
    at_s
        (n,) times of the events, rising.
    off_s
        (n,) by how much the other clock is off there.
    tau_s
        Averaging times, each above 0.

    Returns
    -------
    Deviation
        Of the rate (relative, without a unit). NaN where no event has two such partners.
    """
    t, x = _events(at_s, off_s)
    found = [_rates(t, x, tau) for tau in np.asarray(tau_s, dtype=np.float64).ravel().tolist()]
    return _joined(found)


def _rates(t: Floats, x: Floats, tau: float) -> tuple[float, float, float, int]:
    if not len(t):
        return tau, np.nan, np.nan, 0
    second = _nearest(t, t + tau)
    third = _nearest(t, t + 2.0 * tau)
    a, b = t[second] - t, t[third] - t[second]
    good = (np.abs(a - tau) <= NEAR_SHARE * tau) & (np.abs(b - tau) <= NEAR_SHARE * tau)
    # past the last event the nearest one would be the last, again and again
    good &= t + (2.0 - 1e-6) * tau <= (t[-1] if len(t) else 0.0)
    if not good.any():
        return tau, np.nan, np.nan, 0
    a, b, first = a[good], b[good], np.flatnonzero(good)
    second, third = second[good], third[good]
    change = (x[third] - x[second]) / b - (x[second] - x[first]) / a
    white = 1.0 / a**2 + 1.0 / b**2 + (1.0 / a + 1.0 / b) ** 2
    return (
        float((a + b).mean() / 2.0),
        float(np.sqrt((change**2).mean() / 2.0)),
        float(np.sqrt(white.mean() / 2.0)),
        len(change),
    )


def time_deviation(at_s: npt.ArrayLike, off_s: npt.ArrayLike, tau_s: npt.ArrayLike) -> Deviation:
    """Time deviation from events that need not be evenly spaced.

    The means of three stretches of length ``tau`` that follow each other, from each event on:
    ``sigma^2 = mean((mean_3 - 2 mean_2 + mean_1)^2) / 6`` (SP 1065, time variance: tau^2 / 3 times
    the modified Allan variance). Independent scatter of standard deviation 1 gives
    ``mean(1/n_1 + 4/n_2 + 1/n_3) / 6`` for n events in each.

    Parameters, Returns
    -------------------
    As of ``allan_of_times``; the deviation is in the unit of ``off_s``.
    """
    t, x = _events(at_s, off_s)
    found = [_means(t, x, tau) for tau in np.asarray(tau_s, dtype=np.float64).ravel().tolist()]
    return _joined(found)


def _means(t: Floats, x: Floats, tau: float) -> tuple[float, float, float, int]:
    if not len(t):
        return tau, np.nan, np.nan, 0
    # a hair early, so that an event that falls on an edge lies after it
    edges = t[None, :] + tau * np.arange(4)[:, None] - 1e-6 * tau
    place = np.searchsorted(t, edges)
    total = np.concatenate([[0.0], np.cumsum(x - x.mean())])
    events = np.diff(place, axis=0)
    # the last stretch must be over before the events are
    step = np.median(np.diff(t)) if len(t) > 1 else 0.0
    good = (events > 0).all(axis=0) & (edges[3] <= t[-1] + step)
    if not good.any():
        return tau, np.nan, np.nan, 0
    n = events[:, good]
    means = np.diff(total[place[:, good]], axis=0) / n
    second = means[2] - 2.0 * means[1] + means[0]
    white = 1.0 / n[0] + 4.0 / n[1] + 1.0 / n[2]
    return (
        tau,
        float(np.sqrt((second**2).mean() / 6.0)),
        float(np.sqrt(white.mean() / 6.0)),
        int(good.sum()),
    )


def _events(at_s: npt.ArrayLike, off_s: npt.ArrayLike) -> tuple[Floats, Floats]:
    t, x = (np.asarray(one, dtype=np.float64).ravel() for one in (at_s, off_s))
    if len(t) != len(x):
        raise ValueError(f"{len(t)} times with {len(x)} offsets")
    return t, x


def _nearest(t: Floats, wanted: Floats) -> npt.NDArray[np.int64]:
    after = np.clip(np.searchsorted(t, wanted), 1, max(len(t) - 1, 1))
    after = np.minimum(after, len(t) - 1)
    before = np.maximum(after - 1, 0)
    return np.asarray(np.where(wanted - t[before] <= t[after] - wanted, before, after))


def _joined(found: list[tuple[float, float, float, int]]) -> Deviation:
    table = np.array(found, dtype=np.float64).reshape(-1, 4)
    return Deviation(table[:, 0], table[:, 1], table[:, 2], table[:, 3].astype(np.int64))
