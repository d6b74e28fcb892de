"""Gauge studies against published and certified examples."""

import math

import numpy as np
import pandas as pd
import pytest

from analysis import average_range, gauge, gauge_study
from analysis.mean_squares import MeanSquares
from analysis.stability import stability
from analysis.variance_split import CROSSED, GAUGE, PART, REPEATABILITY, REPRODUCIBILITY, Split

# AIAG, Measurement systems analysis, 4th ed., ch. III-B, as reproduced by McNeese 2015:
# 10 parts x 3 appraisers x 3 trials
AIAG = {
    ("A", 1): (0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
    ("A", 2): (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
    ("A", 3): (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31),
    ("B", 1): (0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
    ("B", 2): (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
    ("B", 3): (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50),
    ("C", 1): (0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
    ("C", 2): (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
    ("C", 3): (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16),
}


@pytest.fixture
def aiag() -> pd.DataFrame:
    """The study of the manual, one row a reading."""
    rows = [
        (part, appraiser, reading)
        for (appraiser, _), readings in AIAG.items()
        for part, reading in enumerate(readings)
    ]
    return pd.DataFrame(rows, columns=["part", "appraiser", "reading"])


def test_anova_with_pooling_gives_the_manuals_components(aiag: pd.DataFrame) -> None:
    """Sums of squares, components and 4 categories, as McNeese 2015 prints them."""
    study = gauge.crossed(aiag, value="reading", part="part", conditions=["appraiser"])
    ss = study.table["ss"]
    assert ss.to_numpy() == pytest.approx([88.361934, 3.167262, 0.358982, 2.758933], abs=1e-6)
    assert study.table["p"]["part x appraiser"] == pytest.approx(0.974, abs=5e-4)
    assert study.table["f"]["part x appraiser"] == pytest.approx(0.4337, abs=5e-5)
    assert study.repeatability_sd == pytest.approx(0.199933, abs=1e-6)
    assert study.reproducibility_sd == pytest.approx(0.226838, abs=1e-6)
    assert study.gauge_sd == pytest.approx(0.302372, abs=2e-6)
    assert study.part_sd == pytest.approx(1.042327, abs=1e-6)
    assert study.total_sd == pytest.approx(1.085300, abs=1e-6)
    assert study.gauge_percent == pytest.approx(27.86, abs=0.005)
    shares = np.array([study.repeatability_sd, study.reproducibility_sd, study.gauge_sd])
    shares = np.append(shares, study.part_sd) / study.total_sd
    assert 100 * shares == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=0.005)
    assert 100 * shares**2 == pytest.approx([3.39, 4.37, 7.76, 92.24], abs=0.005)
    assert 1.41 * study.part_sd / study.gauge_sd == pytest.approx(4.86, abs=0.005)
    assert ss.sum() == pytest.approx(94.647112, abs=1e-6)
    assert study.categories == 4
    assert "part x appraiser pooled" in study.method


def test_anova_without_pooling_gives_the_peers_components(aiag: pd.DataFrame) -> None:
    """Variances 0.0460, 0.0521, 1.0887 and no interaction, as the package GageRnR prints them."""
    study = gauge.crossed(aiag, value="reading", part="part", conditions=["appraiser"], pool=False)
    assert study.repeatability_sd**2 == pytest.approx(0.0459822, abs=1e-6)
    assert study.condition_sd["appraiser"] ** 2 == pytest.approx(0.0521229, abs=1e-6)
    assert study.part_sd**2 == pytest.approx(1.0886721, abs=1e-6)
    assert study.interaction_sd == 0.0
    assert study.method == "ANOVA without pooling"


def test_average_and_range_counts_five_categories_on_the_same_data(aiag: pd.DataFrame) -> None:
    """AIAG figures III-B 6 and 15: another method, another count."""
    study = average_range.average_and_range(
        aiag, value="reading", part="part", condition="appraiser"
    )
    assert study.repeatability_sd == pytest.approx(0.20186, abs=2e-5)
    assert study.reproducibility_sd == pytest.approx(0.22967, abs=2e-5)
    assert study.gauge_sd == pytest.approx(0.30577, abs=2e-5)
    assert study.part_sd == pytest.approx(1.10460, abs=2e-4)
    assert study.total_sd == pytest.approx(1.14613, abs=2e-4)
    assert study.gauge_percent == pytest.approx(26.68, abs=0.01)
    assert study.categories == 5
    assert study.method == "average and range"


def test_range_constants_are_those_of_the_manual() -> None:
    """AIAG: K1(3 trials) 0.5908, K2(3 appraisers) 0.5231, K3(10 parts) 0.3146."""
    assert 1.0 / average_range.range_constants(3)[0] == pytest.approx(0.5908, abs=5e-5)
    assert 1.0 / math.hypot(*average_range.range_constants(3)) == pytest.approx(0.5231, abs=5e-5)
    assert 1.0 / math.hypot(*average_range.range_constants(10)) == pytest.approx(0.3146, abs=5e-5)


def _study(gauge_percent: float) -> gauge_study.GaugeStudy:
    share = gauge_percent / 100.0
    return gauge_study.GaugeStudy(
        method="given",
        repeatability_sd=share,
        reproducibility_sd=0.0,
        interaction_sd=0.0,
        part_sd=math.sqrt(1.0 - share**2),
        condition_sd={},
        table=pd.DataFrame(),
        count=90,
    )


def test_standing_follows_the_manuals_bands() -> None:
    """AIAG (secondary): below 10 % good, to 30 % conditional, above bad; 5 categories."""
    assert [_study(p).standing for p in (9.0, 15.0, 29.0, 31.0)] == [
        "good",
        "conditional",
        "conditional",
        "bad",
    ]
    assert _study(9.0).categories == math.floor(1.41 * math.sqrt(1 - 0.0081) / 0.09)


def test_two_conditions_are_told_apart() -> None:
    """Drawn from known components, a study over days and strikers finds each one."""
    rng = np.random.default_rng(4)
    found = []
    for _ in range(60):
        part, day, striker = np.indices((8, 6, 6, 2))[:3]
        reading = (
            rng.normal(0, 2.0, 8)[part]
            + rng.normal(0, 0.5, 6)[day]
            + rng.normal(0, 1.0, 6)[striker]
            + rng.normal(0, 0.3, part.shape)
        )
        table = pd.DataFrame(
            {
                "part": part.ravel(),
                "day": day.ravel(),
                "striker": striker.ravel(),
                "reading": reading.ravel(),
            }
        )
        study = gauge.crossed(table, value="reading", part="part", conditions=["day", "striker"])
        found.append(
            (
                study.repeatability_sd**2,
                study.condition_sd["day"] ** 2,
                study.condition_sd["striker"] ** 2,
                study.part_sd**2,
            )
        )
    found_mean = np.mean(found, axis=0)
    standard_error = np.std(found, axis=0, ddof=1) / np.sqrt(len(found))
    assert np.all(np.abs(found_mean - (0.09, 0.25, 1.0, 4.0)) < 4.0 * standard_error)


def test_visible_difference_is_seen_as_often_as_it_says() -> None:
    """A difference of the stated size shows in about 90 % of drawn comparisons."""
    study = dataclass_study(repeat=1.0, reproducibility=0.2, interaction=0.1)
    strokes = 40
    rng = np.random.default_rng(1)
    for same_session, between in ((False, 0.2), (True, 0.1)):
        difference = study.visible_difference(strokes, same_session=same_session)
        sd = math.sqrt(between**2 + 1.0 / strokes)
        drawn = rng.normal(difference, sd * math.sqrt(2.0), 20_000)
        seen = np.mean(np.abs(drawn) > 1.959964 * sd * math.sqrt(2.0))
        assert seen == pytest.approx(0.90, abs=0.01)


def dataclass_study(
    *, repeat: float, reproducibility: float, interaction: float, freedom: int = 10**9
) -> gauge_study.GaugeStudy:
    """Make a study with known components; known for sure, unless it has few degrees of freedom."""
    own = math.sqrt(reproducibility**2 - interaction**2)
    spread = {"repeats": repeat, "mounting": own, "interaction": interaction, "part": 1.0}
    squares = MeanSquares(
        square={name: sd**2 for name, sd in spread.items()},
        freedom=dict.fromkeys(spread, freedom) | {"repeats": 10**9},
    )
    crossed, between = {"interaction": 1.0}, {"mounting": 1.0, "interaction": 1.0}
    weights = {
        REPEATABILITY: {"repeats": 1.0}, CROSSED: crossed, REPRODUCIBILITY: between,
        GAUGE: {"repeats": 1.0, **between}, PART: {"part": 1.0},
    }  # fmt: skip
    return gauge_study.GaugeStudy(
        method="given",
        repeatability_sd=repeat,
        reproducibility_sd=reproducibility,
        interaction_sd=interaction,
        part_sd=1.0,
        condition_sd={},
        table=pd.DataFrame(),
        count=10,
        split=Split(squares=squares, weights=weights),
    )


def test_verdict_says_what_it_would_take() -> None:
    """Seen, not yet (with the strokes it takes, which then do), or never."""
    study = dataclass_study(repeat=1.0, reproducibility=0.2, interaction=0.0)
    assert study.verdict(2.0, 40).startswith("seen")
    assert study.verdict(0.5, 40).startswith("not seen: no number")
    later = study.verdict(1.0, 40)
    assert later.startswith("not seen yet")
    needed = int(later.split(";")[1].split()[0])
    assert study.visible_difference(needed) <= 1.0 < study.visible_difference(needed - 1)


def test_a_difference_across_the_interval_is_undecided() -> None:
    """Between the bounds nothing is said but what it rests on; above and below them it is."""
    study = dataclass_study(repeat=1.0, reproducibility=0.2, interaction=0.1, freedom=4)
    found = study.visible(40)
    assert found.value == pytest.approx(study.visible_difference(40))
    assert found.low < found.value < found.high
    for difference, word in (
        (0.99 * found.low, "not seen"), (1.01 * found.low, "undecided"),
        (0.99 * found.high, "undecided"), (found.high, "seen"),
    ):  # fmt: skip
        assert study.finds(difference, 40) == word
        assert study.verdict(difference, 40).startswith(word)
    assert "are the 4 of mounting" in study.verdict(found.value, 40)
    assert "4 of interaction" in study.verdict(
        study.visible_difference(40, same_session=True), 40, same_session=True
    )


def test_what_was_not_estimated_is_never_called_seen(aiag: pd.DataFrame) -> None:
    """Averages and ranges have no interval here, and so no difference is called seen by them."""
    study = average_range.average_and_range(
        aiag, value="reading", part="part", condition="appraiser"
    )
    assert all(math.isnan(figure.high) for figure in study.figures.values())
    assert study.finds(100.0, 40) == "undecided"


@pytest.mark.parametrize("difference", [math.nan, math.inf, -math.inf, 0.0, -1.0])
def test_a_difference_that_nothing_could_show_is_refused(difference: float) -> None:
    """NaN, 0, below, and infinity: no answer, but a sentence."""
    study = dataclass_study(repeat=1.0, reproducibility=0.2, interaction=0.0)
    with pytest.raises(gauge_study.StudyError, match="above 0 and finite"):
        study.verdict(difference, 40)


def test_figures_hold_the_interaction_and_specimens_that_do_not_differ() -> None:
    """Each source has its line, one estimated 0 an upper bound; no spread of parts is bad."""
    rng = np.random.default_rng(8)
    part, mounting = (each.ravel() for each in np.indices((4, 5, 6))[:2])
    reading = rng.normal(0, 0.5, (4, 5))[part, mounting] + rng.normal(0, 0.3, part.size)
    # each specimen's mean the same: their mean square is 0
    reading -= np.array([reading[part == k].mean() for k in range(4)])[part]
    table = pd.DataFrame({"part": part, "mounting": mounting, "reading": reading})
    study = gauge.crossed(table, value="reading", part="part", conditions=["mounting"])
    assert list(study.figures) == [
        "repeatability", "between mounting", "part x mounting", "bench in all",
        "between specimens",
    ]  # fmt: skip
    crossing, parts = study.figures["part x mounting"], study.figures["between specimens"]
    assert crossing.low < 0.5 < crossing.high
    assert crossing.degrees == {"part x mounting": 12, "repeats": 100}
    assert parts.value == parts.low == 0.0 < parts.high
    assert (study.categories, study.standing) == (0, "bad")
    assert study.category_bounds[0] == 0
    assert study.percent_interval.high == study.percent_interval.value == 100.0


def test_pooling_narrows_no_interval(aiag: pd.DataFrame) -> None:
    """Pooled or not, the same bounds: what was not seen is not known to be absent."""
    pooled, apart = (
        gauge.crossed(aiag, value="reading", part="part", conditions=["appraiser"], pool=pool)
        for pool in (True, False)
    )
    assert pooled.figures["repeatability"].value < apart.figures["repeatability"].value
    for name, figure in apart.figures.items():
        assert pooled.figures[name][1:3] == pytest.approx(figure[1:3])
    assert pooled.category_bounds == apart.category_bounds
    low, high = pooled.category_bounds
    assert low < pooled.categories < high


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda t: t.assign(reading=t["reading"].where(t.index != 3)), "not finite"),
        (lambda t: t.iloc[1:], "not balanced"),
        (lambda t: t[t["appraiser"] == "A"], "only one appraiser"),
        (lambda t: t.iloc[:0], "at least 2 readings"),
        (lambda t: t.drop(columns="part"), "no column part"),
    ],
)
def test_a_study_that_carries_nothing_is_refused(aiag: pd.DataFrame, spoil, word: str) -> None:
    """Gaps, NaN, one level, no reading: an error that names what is wrong."""
    with pytest.raises(gauge_study.StudyError, match=word):
        gauge.crossed(spoil(aiag), value="reading", part="part", conditions=["appraiser"])


def test_stability_tells_drift_bias_and_outliers_apart() -> None:
    """A steady, a biased, a drifting and a slipping striker each get their word."""
    rng = np.random.default_rng(7)
    t = np.linspace(0.0, 8 * 3600.0, 60)
    noise = rng.normal(0.0, 0.05, t.size)
    slipped = 10.0 + noise
    slipped[31] += 1.0
    assert stability(t, 10.0 + noise, reference=10.0).standing == "steady"
    assert stability(t, 10.2 + noise, reference=10.0).standing == "biased"
    drifting = stability(t, 10.0 + noise + 0.1 * t / 3600.0)
    assert drifting.standing == "drifts"
    assert drifting.drift_low < 0.1 < drifting.drift_high
    assert math.isnan(drifting.bias)
    slipping = stability(t, slipped)
    assert slipping.standing == "out of control"
    assert slipping.outside == (31,)
    with pytest.raises(gauge_study.StudyError, match="at least 5"):
        stability([0.0, 1.0], [1.0, math.nan])
