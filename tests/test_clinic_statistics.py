"""Agreement statistics against published worked examples, and what must not change them.

The data of each example were read where its comment says. Of the published answers, those of Cohen 1968
and of irrCAC were read, too; the others (Shrout & Fleiss, Fleiss, Cohen & Everitt, Krippendorff, Bland &
Altman) are from memory, and agree with what was worked out apart from this program.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from overlay.clinic.rater_statistics import (
    alpha,
    alpha_interval,
    count_table,
    disagreement_weights,
    icc_agreement,
    kappa_se,
    kappa_with_interval,
    limits_of_agreement,
    mean_of_pairs,
    mean_with_interval,
    rank_correlation,
    slope,
    variance_table,
    weighted_kappa,
)

# Shrout & Fleiss 1979, six targets by four judges, as quoted in the manuals of the R packages
# DescTools and psych (man/ICC.Rd of each).
SHROUT_FLEISS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]

# Four observers by twelve units, as quoted in the manual of the R package irr (man/kripp.alpha.Rd)
# and in the data of irrCAC (cac.raw4raters.csv). The last unit has one rating and drops out.
N = math.nan
KRIPPENDORFF = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, N, N, N],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, N, N],
    [N, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, 3],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, N],
]

# Bland & Altman, Lancet 1986 i:307-310, first readings of the two meters, as quoted in the R package
# BlandAltmanLeh (R/PEFR.R).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

ratings = arrays(np.int64, st.tuples(st.integers(3, 8), st.integers(2, 6)), elements=st.integers(0, 4))


def test_mean_squares_of_shrout_and_fleiss() -> None:
    """Published values from memory."""
    t = variance_table(SHROUT_FLEISS)
    assert t is not None
    squares = (t.between_targets, t.within_targets, t.between_raters, t.residual)
    assert [f"{s:.2f}" for s in squares] == ["11.24", "6.26", "32.49", "1.02"]


def test_icc_of_shrout_and_fleiss() -> None:
    """Published values, two digits, from memory."""
    found = icc_agreement(SHROUT_FLEISS)
    assert found is not None
    single, average = found
    assert f"{single.value:.2f}" == "0.29"
    assert f"{average.value:.2f}" == "0.62"
    # The four digits and the interval were worked out apart from this program, from the same formulas.
    assert f"{single.value:.4f}" == "0.2898"
    assert f"{average.value:.4f}" == "0.6201"
    assert (f"{single.low:.3f}", f"{single.high:.3f}") == ("0.019", "0.761")
    assert single.low < single.value < single.high
    assert average.low < average.value < average.high


# Cohen 1968, N = 200, as quoted in the manual of the R package psych (man/kappa.Rd).
COHEN = [[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]]


@pytest.mark.parametrize(
    ("weights", "printed"),
    [
        ([[0, 1, 1], [1, 0, 1], [1, 1, 0]], ".492"),
        ([[0, 1, 3], [1, 0, 6], [3, 6, 0]], ".348"),
        ([[0, 1, 4], [1, 0, 6], [2, 2, 0]], ".353"),  # not symmetric: tells rows from columns
    ],
)
def test_kappa_as_cohen_prints_it(weights: list[list[int]], printed: str) -> None:
    found = weighted_kappa(COHEN, weights)
    assert found is not None
    assert f"{found:.3f}".removeprefix("0") == printed


@pytest.mark.parametrize(
    ("weighting", "worked_out"), [("linear", "0.47368"), ("quadratic", "0.45455"), ("nominal", "0.49153")]
)
def test_kappa_with_common_weights(weighting: str, worked_out: str) -> None:
    """Not printed by Cohen; worked out apart from this program, from his table."""
    assert f"{weighted_kappa(COHEN, disagreement_weights(3, weighting)):.5f}" == worked_out  # type: ignore[arg-type]


def test_kappa_of_fleiss_cohen_and_everitt() -> None:
    """Fleiss, Cohen & Everitt 1969, N = 200: data quoted in the R package psych, answers from memory."""
    counts = [[106, 10, 4], [22, 28, 10], [2, 12, 6]]
    agreement = np.array([[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]])
    assert f"{weighted_kappa(counts, disagreement_weights(3, 'nominal')):.3f}" == "0.429"
    assert f"{weighted_kappa(counts, 1 - agreement):.3f}" == "0.507"


@pytest.mark.parametrize(("weighting", "printed"), [("nominal", "0.7964094"), ("quadratic", "0.8921569")])
def test_kappa_as_irrcac_prints_it(weighting: str, printed: str) -> None:
    """Gwet 2014, two abstractors, N = 100; output printed in the R package irrCAC's page on kappa2.table."""
    counts = [[13, 0, 0], [0, 20, 7], [0, 4, 56]]
    assert f"{weighted_kappa(counts, disagreement_weights(3, weighting)):.7f}" == printed  # type: ignore[arg-type]


def test_interval_of_kappa_as_irrcac_prints_it() -> None:
    """Gwet 2014, two abstractors: standard error and interval printed on irrCAC's page on kappa2.table."""
    counts = [[13, 0, 0], [0, 20, 7], [0, 4, 56]]
    weights = disagreement_weights(3, "nominal")
    assert f"{kappa_se(counts, weights):.5f}" == "0.05891"
    found = kappa_with_interval(counts, weights)
    assert found is not None
    assert (f"{found.low:.3f}", f"{found.high:.3f}") == ("0.680", "0.913")
    alike = kappa_with_interval([[4, 0], [0, 3]], disagreement_weights(2, "linear"))
    assert alike is not None
    assert alike.value == 1
    assert math.isnan(alike.low)
    assert kappa_with_interval([[1, 0], [0, 0]], disagreement_weights(2, "linear")) is None


def test_kappa_of_several_raters_is_the_mean_over_pairs() -> None:
    a, b, c = [0, 1, 2, 2, 1], [0, 1, 1, 2, 1], [0, 2, 2, 2, math.nan]
    weights = disagreement_weights(3, "linear")
    pairs = [
        weighted_kappa(count_table(a, b, 3), weights),
        weighted_kappa(count_table(a[:4], [0, 2, 2, 2], 3), weights),
        weighted_kappa(count_table(b[:4], [0, 2, 2, 2], 3), weights),
    ]
    assert mean_of_pairs([a, b, c], 3) == pytest.approx(np.mean(pairs))  # type: ignore[arg-type]
    assert mean_of_pairs([[1, 1], [1, 1]], 3) is None


def test_alpha_interval_is_wide_for_few_items_and_says_the_same_twice() -> None:
    few = alpha_interval(KRIPPENDORFF)
    many = alpha_interval(np.tile(KRIPPENDORFF, 8))
    assert few is not None
    assert many is not None
    assert few == alpha_interval(KRIPPENDORFF)
    assert few.low < few.value < few.high
    assert many.high - many.low < few.high - few.low
    assert alpha_interval([[1, 1], [1, 1]]) is None


@pytest.mark.parametrize(
    ("weighting", "worked_out"), [("nominal", 0.431501), ("linear", 0.406811), ("quadratic", 0.383186)]
)
def test_kappa_of_four_categories(weighting: str, worked_out: float) -> None:
    """Gwet 2014, diagnoses, N = 223 (irrCAC's data); kappas worked out apart from this program."""
    counts = [[40, 6, 4, 15], [4, 25, 1, 5], [4, 2, 21, 9], [17, 13, 12, 45]]
    assert weighted_kappa(counts, disagreement_weights(4, weighting)) == pytest.approx(worked_out, abs=5e-7)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("level", "printed", "worked_out"),
    [
        ("nominal", "0.743", 0.743421),
        ("ordinal", "0.815", 0.815388),
        ("interval", "0.849", 0.849107),
        ("ratio", "0.797", 0.797403),
    ],
)
def test_alpha_of_four_observers(level: str, printed: str, worked_out: float) -> None:
    """Three digits as published, from memory; six worked out apart from this program."""
    found = alpha(KRIPPENDORFF, level)  # type: ignore[arg-type]
    assert f"{found:.3f}" == printed
    assert found == pytest.approx(worked_out, abs=5e-7)


# Three coders by fifteen units: the sample of the package fast-krippendorff (sample.py).
CODERS = [
    [N, N, N, N, N, 3, 4, 1, 2, 1, 1, 3, 3, N, 3],
    [1, N, 2, 1, 3, 3, 4, 3, N, N, N, N, N, N, N],
    [N, N, 2, 1, 3, 4, 4, N, 2, 1, 1, 3, 3, N, 4],
]


@pytest.mark.parametrize(
    ("level", "printed"), [("nominal", "0.691"), ("interval", "0.811"), ("ordinal", "0.807")]
)
def test_alpha_of_three_coders(level: str, printed: str) -> None:
    """Nominal and interval as published, from memory; ordinal worked out apart from this program."""
    assert f"{alpha(CODERS, level):.3f}" == printed  # type: ignore[arg-type]


def test_limits_of_bland_and_altman() -> None:
    """Published values from memory."""
    found = limits_of_agreement(LARGE, MINI)
    assert found is not None
    assert f"{found.mean:.1f}" == "-2.1"
    assert f"{found.sd:.1f}" == "38.8"
    assert (f"{found.mean_se:.1f}", f"{found.limit_se:.1f}") == ("9.4", "16.3")
    assert (f"{found.low:.2f}", f"{found.high:.2f}") == ("-78.10", "73.86")  # worked out with 1.96
    two = limits_of_agreement(LARGE, MINI, z=2.0)
    assert two is not None
    # Published, from memory: -79.7 and 75.5, which follow from the rounded -2.1 and 38.8.
    assert (f"{two.low:.2f}", f"{two.high:.2f}") == ("-79.65", "75.41")


@given(ratings, st.randoms(use_true_random=False))
def test_order_of_raters_and_items_does_not_matter(x: np.ndarray, random: object) -> None:
    rng = np.random.default_rng(random.randrange(2**32))  # type: ignore[attr-defined]
    mixed = rng.permutation(rng.permutation(x, axis=0), axis=1)
    assert alpha(mixed.T) == pytest.approx(alpha(x.T))
    one, other = icc_agreement(x), icc_agreement(mixed)
    assert (one is None) == (other is None)
    if one and other:
        for a, b in zip(one, other, strict=True):
            assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), nan_ok=True, abs=1e-9)


@given(ratings, st.integers(-5, 5), st.integers(1, 5))
def test_icc_and_alpha_do_not_depend_on_unit_or_zero(x: np.ndarray, shift: int, scale: int) -> None:
    one, other = icc_agreement(x), icc_agreement(x * scale + shift)
    assert (one is None) == (other is None)
    if one and other:
        assert one[0].value == pytest.approx(other[0].value, abs=1e-9)
        assert one[1].value == pytest.approx(other[1].value, abs=1e-9)
    assert alpha(x.T) == pytest.approx(alpha((x * scale + shift).T))


@given(ratings)
def test_alpha_and_icc_are_at_most_one_and_one_when_all_agree(x: np.ndarray) -> None:
    found = alpha(x.T)
    assert found is None or found <= 1 + 1e-12
    same = np.repeat(x[:, :1], x.shape[1], axis=1)
    if np.unique(same).size > 1:
        assert alpha(same.T) == pytest.approx(1)
        agreed = icc_agreement(same)
        assert agreed is not None
        assert agreed[0].value == pytest.approx(1)
        assert agreed[1].value == pytest.approx(1)
    else:
        assert alpha(same.T) is None
        assert icc_agreement(same) is None


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=1, max_size=30))
def test_kappa_is_one_only_when_all_agree_and_does_not_mind_who_is_first(
    pairs: list[tuple[int, int]],
) -> None:
    a, b = [p[0] for p in pairs], [p[1] for p in pairs]
    weights = disagreement_weights(5, "linear")
    table = count_table(a, b, 5)
    assert table.sum() == len(pairs)
    one, other = weighted_kappa(table, weights), weighted_kappa(table.T, weights)
    assert one == pytest.approx(other)
    if one is None:
        assert len(set(a + b)) == 1
    else:
        assert (one == pytest.approx(1)) == (a == b)


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=3, max_size=20))
def test_rank_correlation_depends_only_on_order(pairs: list[tuple[int, int]]) -> None:
    a, b = [p[0] for p in pairs], [p[1] for p in pairs]
    found = rank_correlation(a, b)
    assert found == pytest.approx(rank_correlation([v**3 + 7 for v in a], b))
    if len(set(a)) > 1:
        assert rank_correlation(a, a) == pytest.approx(1)
        assert rank_correlation(a, [-v for v in a]) == pytest.approx(-1)
    if found is not None:
        assert -1 - 1e-12 <= found <= 1 + 1e-12


def test_nothing_is_said_where_nothing_is_defined() -> None:
    assert weighted_kappa([[5, 0], [0, 0]], disagreement_weights(2, "linear")) is None
    assert weighted_kappa([[0, 0], [0, 0]], disagreement_weights(2, "linear")) is None
    assert alpha([[1, N], [N, 2]]) is None
    assert variance_table([[1, 2, 3]]) is None
    assert rank_correlation([1, 1, 1], [1, 2, 3]) is None
    assert slope([1, 1, 1, 1], [1, 2, 3, 4]) is None
    assert mean_with_interval([1]) is None
    assert icc_agreement([[0, 5], [5, 0]]) is None  # as much against each other as can be
    with pytest.raises(ValueError, match="every rater"):
        variance_table([[1, 2], [1, N]])
    with pytest.raises(ValueError, match="same items"):
        count_table([1], [1, 2], 3)
    with pytest.raises(ValueError, match="outside"):
        count_table([3], [1], 3)


def test_icc_without_residual_has_no_interval() -> None:
    """One rater always a step above the other: the value stands, and the interval is not made up."""
    found = icc_agreement([[0, 1], [1, 2], [3, 4]])
    assert found is not None
    assert 0 < found[0].value < 1
    assert math.isnan(found[0].low)


def test_icc_of_noise_alone_is_not_stated() -> None:
    """Nothing divides ICC(2,k) here; it came out as -1.2e16."""
    assert icc_agreement([[1, 0], [0, 1], [0, 0]]) is None


def test_slope_and_mean_intervals() -> None:
    line = slope([1, 2, 3, 4, 5], [2, 4, 6, 8, 10])
    assert line is not None
    assert (line.value, line.low, line.high) == pytest.approx((2, 2, 2))
    mean = mean_with_interval([1.0, 2.0, 3.0])
    assert mean is not None
    # Student's t of 97.5 % with 2 degrees of freedom, 4.303 (printed in any table of t), over sqrt(3).
    assert mean.high - mean.value == pytest.approx(4.303 / math.sqrt(3), abs=1e-3)
