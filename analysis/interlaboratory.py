"""Several benches, the same specimens: repeatability and reproducibility."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analysis.gauge_study import StudyError


@dataclasses.dataclass(frozen=True, kw_only=True)
class Interlaboratory:
    """Repeatability and reproducibility over several benches; one entry a specimen.

    Attributes
    ----------
    mean, repeatability_sd, reproducibility_sd
        Overall mean; within a bench; between benches, never below the repeatability.
    repeatability_limit, reproducibility_limit
        2.8 times the deviations: two readings differ by more in about 5 % of cases.
    suspect
        (bench index, specimen index) of cells whose variance is too great (Cochran's test, 1 %).
    """

    mean: np.ndarray
    repeatability_sd: np.ndarray
    reproducibility_sd: np.ndarray
    suspect: tuple[tuple[int, int], ...]
    method: str = "ASTM E691"

    @property
    def repeatability_limit(self) -> np.ndarray:
        """2.8 s_r."""
        return 2.8 * self.repeatability_sd

    @property
    def reproducibility_limit(self) -> np.ndarray:
        """2.8 s_R."""
        return 2.8 * self.reproducibility_sd


def interlaboratory(readings: ArrayLike) -> Interlaboratory:
    """Compare benches that read the same specimens.

    Parameters
    ----------
    readings
        Shape (benches, specimens, repeats); at least 2 benches and 2 repeats, all finite.

    Notes
    -----
    ASTM E691: s_R² = s_x² + s_r² (1 - 1/n), floored at s_r². Cochran's critical value comes from
    the F distribution (ISO 5725-2, from memory).
    """
    data = np.asarray(readings, dtype=float)
    if data.ndim != 3 or data.shape[0] < 2 or data.shape[2] < 2 or not np.isfinite(data).all():
        raise StudyError(
            f"comparison of benches: readings of shape {data.shape}; (benches, specimens, repeats) "
            "with at least 2 benches and 2 repeats, all finite, are needed"
        )
    benches, _, repeats = data.shape
    variances = data.var(axis=2, ddof=1)
    repeat_variance = variances.mean(axis=0)
    between = data.mean(axis=2).var(axis=0, ddof=1)
    reproducibility = between + repeat_variance * (1.0 - 1.0 / repeats)
    f = stats.f.isf(0.01 / benches, repeats - 1, (benches - 1) * (repeats - 1))
    critical = 1.0 / (1.0 + (benches - 1) / f)
    suspect = np.argwhere(variances > critical * variances.sum(axis=0))
    return Interlaboratory(
        mean=data.mean(axis=(0, 2)),
        repeatability_sd=np.sqrt(repeat_variance),
        reproducibility_sd=np.sqrt(np.maximum(reproducibility, repeat_variance)),
        suspect=tuple((int(bench), int(specimen)) for bench, specimen in suspect),
    )
