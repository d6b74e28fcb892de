"""Allan deviation: how a rate wanders, by averaging time (NIST SP 1065, Riley)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


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
