"""The fit against reference libraries on fixed data: statsmodels for least squares, lifelines and scipy for readings
of which only a side is known, scipy for mixtures and ranks."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from ladders import drawn, grid, trial_of
from scipy import optimize, stats

from gcodetools.trials.censored import between, greatest_likelihood
from gcodetools.trials.clicks import clicks_of, ranks
from gcodetools.trials.distributions import mixture_quantile
from gcodetools.trials.peak import effect_of
from gcodetools.trials.response import fit
from gcodetools.trials.terms import design_of

# Twelve forces read off a scale, N: four copies at 220, 235 and 250 C. Made up once, kept since.
FORCES = np.array([812.0, 905, 861, 790, 1010, 955, 1088, 1003, 940, 871, 902, 998])
THREE = grid([3], 4)


@pytest.fixture(scope="module")
def sm():
    """statsmodels: it takes a second to load, in the worker that needs it alone."""
    import statsmodels.api

    return statsmodels.api


def columns_of(design):
    """The plain columns worked out anew from the names of the terms."""
    trial = design.trial
    made = []
    for term in design.base:
        if term.kind == "mean":
            made.append(np.ones(len(trial)))
        elif term.kind in ("slope", "square"):
            x = trial.factors[term.of[0]].x
            z = (x - (x.max() + x.min()) / 2) / ((x.max() - x.min()) / 2)
            made.append(z ** (1 if term.kind == "slope" else 2))
        elif term.kind == "place":
            column = trial.place[:, term.of[0]]
            made.append((column - column.mean()) / (np.ptp(column) / 2))
    return np.column_stack(made)


def two_settings(seed=5):
    """18 specimens: three temperatures by three fans, twice, on a plate that is not even."""
    rng = np.random.default_rng(seed)
    coded = grid([3, 3], 2)
    place = rng.permutation(np.column_stack([np.arange(18) % 6 * 30.0, np.arange(18) // 6 * 40.0]))
    return drawn(
        rng, lambda z: 3 + 0.1 * z[:, 0] - 0.2 * z[:, 1] - 0.1 * z[:, 0] ** 2, coded, 0.08, place=place
    )


@pytest.mark.parametrize(
    "trial", [trial_of(THREE, np.log(FORCES)), two_settings()], ids=["nozzle", "nozzle and fan"]
)
def test_plain_terms_are_those_of_statsmodels(trial, sm):
    """OLS: coefficients, standard errors, intervals of nine in ten, scatter."""
    design = design_of(trial)
    plain = fit(design, draws=100).plain
    reference = sm.OLS(trial.y, columns_of(design)).fit()
    assert plain.value == pytest.approx(reference.params, rel=1e-9, abs=1e-12)
    assert plain.error == pytest.approx(reference.bse, rel=1e-9)
    assert plain.sigma == pytest.approx(np.sqrt(reference.mse_resid), rel=1e-9)
    assert plain.degrees == reference.df_resid
    ends = plain.ends()
    assert np.column_stack([ends.low, ends.high]) == pytest.approx(
        reference.conf_int(0.1), rel=1e-8, abs=1e-11
    )


def test_with_one_model_means_and_slopes_are_those_of_statsmodels(sm):
    trial = trial_of(THREE, np.log(FORCES))
    design = design_of(trial)
    found = fit(design, draws=100)
    assert found.weights == {"plain": 1.0}
    reference = sm.OLS(trial.y, columns_of(design)).fit()
    at = np.array([[-1.0], [-0.3], [0.5], [1.0]])
    ends = found.ends(design.columns(at))
    told = reference.get_prediction(np.column_stack([np.ones(4), at, at**2])).summary_frame(alpha=0.1)
    assert ends.best == pytest.approx(told["mean"])
    assert ends.low == pytest.approx(told["mean_ci_lower"]) and ends.high == pytest.approx(
        told["mean_ci_upper"]
    )
    effect = effect_of(found, 0)
    slope = reference.t_test([0, 2, 0])
    assert effect.whole == pytest.approx(
        [slope.conf_int(0.1)[0, 0], slope.effect[0], slope.conf_int(0.1)[0, 1]]
    )
    assert np.array(effect.slope) * 30.0 == pytest.approx(effect.whole, rel=1e-6)
    assert effect.tail == pytest.approx(float(reference.f_test(np.eye(3)[1:]).pvalue), rel=1e-6)


def test_the_chance_of_each_setting_is_the_f_test_of_statsmodels(sm):
    trial = two_settings()
    design = design_of(trial)
    found = fit(design, draws=100)
    reference = sm.OLS(trial.y, columns_of(design)).fit()
    for factor in (0, 1):
        mine = [
            k
            for k, term in enumerate(design.base)
            if term.kind in ("slope", "square") and term.of == (factor,)
        ]
        assert len(mine) == 2
        assert found.tail_of(factor) == pytest.approx(
            float(reference.f_test(np.eye(len(design.base))[mine]).pvalue), rel=1e-6
        )


@pytest.mark.parametrize(
    "trial", [trial_of(grid([4], 3), np.log(FORCES)), two_settings()], ids=["bare", "with place"]
)
def test_pure_error_and_lack_of_fit_are_those_of_statsmodels(trial, sm):
    """The F test of the curve against a mean of each step (`anova_lm`)."""
    design = design_of(trial)
    lack = fit(design, draws=100).lack
    x = columns_of(design)
    steps = (trial.group[:, None] == np.unique(trial.group)) * 1.0
    place = x[:, [k for k, term in enumerate(design.base) if term.kind == "place"]]
    curve, means = sm.OLS(trial.y, x).fit(), sm.OLS(trial.y, np.column_stack([steps, place])).fit()
    chance = float(means.compare_f_test(curve)[1])
    assert lack.degrees == means.df_resid and lack.pure == pytest.approx(np.sqrt(means.mse_resid))
    assert lack.tail == pytest.approx(chance, rel=1e-6)


def test_weights_of_models_are_restricted_likelihoods(sm):
    """-1/2 (log|V| + log|X'V^-1 X| + (n - p) log r'V^-1 r), each by statsmodels' GLS with V = 1 + Z diag Z'."""
    trial = drawn(
        np.random.default_rng(3), lambda z: 0.3 * z[:, 0] * z[:, 1] - 0.1 * z[:, 0] ** 2, grid([4, 3], 2), 0.2
    )
    design = design_of(trial)
    found = fit(design, draws=100)
    scores, names, means = [], [], []
    at = np.array([[0.3, -0.4]])
    for model in design.models:
        v = np.eye(len(trial)) + (design.z * model.extra) @ design.z.T
        gls = sm.GLS(trial.y, columns_of(design), sigma=v).fit()
        determinants = np.linalg.slogdet(v)[1] + np.linalg.slogdet(gls.model.wexog.T @ gls.model.wexog)[1]
        scores.append(np.log(model.prior) - 0.5 * (determinants + gls.df_resid * np.log(gls.ssr)))
        names.append(model.name)
        # The best linear unbiased prediction at a place, of what is doubted too.
        there = design.columns(at)
        beyond = (there[:, len(design.base) :] * model.extra) @ design.z.T @ np.linalg.solve(v, gls.resid)
        means.append(float(there[0, : len(design.base)] @ gls.params + beyond[0]))
    weights = np.exp(np.array(scores) - max(scores))
    weights /= weights.sum()
    for name in set(names):
        whole = sum(w for w, one in zip(weights, names, strict=True) if one == name)
        assert found.weights.get(name, 0.0) == pytest.approx(whole, abs=2e-4)
    assert found.mean(design.columns(at))[0] == pytest.approx(float(weights @ np.array(means)), abs=1e-4)
    assert found.weights["nozzle x fan"] > 0.5  # which it has


def test_longley_is_solved_to_the_certified_digits(sm):
    """NIST StRD Longley: y on six columns that go together almost wholly; certified values from memory, data from
    statsmodels. Tolerance: nine of the certified digits are lost to the condition of 5e9 in double precision."""
    data = sm.datasets.longley.load_pandas()
    x = np.column_stack([np.ones(16), data.exog.to_numpy(float)])
    found = greatest_likelihood(x, data.endog.to_numpy(float), np.zeros(16, int))
    certified = [
        -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
        -0.0511041056535807, 1829.15146461355,
    ]  # fmt: skip
    assert found.value == pytest.approx(certified, rel=1e-6)
    assert found.sigma * np.sqrt(16 / (16 - 7)) == pytest.approx(304.854073561965, rel=1e-7)


def one_sided(seed=2, n=40):
    """Lives of which a quarter is only known from below."""
    rng = np.random.default_rng(seed)
    coded = rng.choice([-1.0, 0.0, 1.0], n)
    y = 4 + 0.5 * coded + 0.4 * rng.standard_normal(n)
    held = y > 4.5
    return coded, np.where(held, 4.5, y), held * 1


def test_readings_known_from_below_agree_with_lifelines():
    """LogNormalAFTFitter: coefficients, scatter, standard errors from the curvature, logarithm of the likelihood."""
    lifelines, pd = pytest.importorskip("lifelines"), pytest.importorskip("pandas")
    coded, y, side = one_sided()
    assert 8 <= side.sum() <= 20
    found = greatest_likelihood(np.column_stack([np.ones(len(y)), coded]), y, side)
    frame = pd.DataFrame({"life": np.exp(y), "broke": 1 - side, "coded": coded})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = lifelines.LogNormalAFTFitter().fit(frame, "life", "broke")
    told = reference.summary["coef"]
    errors = reference.summary["se(coef)"]
    assert found.value == pytest.approx([told["mu_", "Intercept"], told["mu_", "coded"]], abs=2e-4)
    assert np.log(found.sigma) == pytest.approx(told["sigma_", "Intercept"], abs=2e-4)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(
        [errors["mu_", "Intercept"], errors["mu_", "coded"]], rel=2e-3
    )
    # Theirs is of lives, ours of their logarithms: the density of those that broke differs by the life itself.
    assert found.logarithm == pytest.approx(reference.log_likelihood_ + float(y[side == 0].sum()), abs=1e-3)


def test_readings_known_from_either_side_agree_with_scipy():
    """scipy.stats.CensoredData with both kinds, one mean and one scatter."""
    rng = np.random.default_rng(8)
    y = 2 + 0.5 * rng.standard_normal(30)
    side = np.where(y > 2.4, 1, np.where(y < 1.5, -1, 0))
    y = np.clip(y, 1.5, 2.4)
    data = stats.CensoredData(uncensored=y[side == 0], left=y[side < 0], right=y[side > 0])
    mean, sigma = stats.norm.fit(data)
    found = greatest_likelihood(np.ones((30, 1)), y, side)
    assert (found.value[0], found.sigma) == pytest.approx((mean, sigma), abs=1e-4)


def test_a_stated_scatter_is_a_prior_with_its_own_degrees():
    """The summit with 8 more degrees of freedom at 0.1, by a plain search."""
    coded, y, side = one_sided()
    x = np.column_stack([np.ones(len(y)), coded])
    found = greatest_likelihood(x, y, side, (8, 8 * 0.01))

    def less(at):
        z = (y - x @ at[:2]) / np.exp(at[2])
        own = np.where(side == 0, stats.norm.logpdf(z) - at[2], stats.norm.logsf(z)).sum()
        return -(own - 8 * at[2] - 0.5 * 8 * 0.01 / np.exp(2 * at[2]))

    best = optimize.minimize(
        less, [4, 0.5, -1], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}
    )
    assert found.value == pytest.approx(best.x[:2], abs=1e-5) and np.log(found.sigma) == pytest.approx(
        best.x[2], abs=1e-5
    )


def test_where_nothing_broke_at_one_end_the_likelihood_grows_without_end():
    coded = np.repeat([-1.0, 0.0, 1.0], 3)
    y = np.array([1.0, 1.1, 0.9, 1.5, 1.4, 1.6, 2.0, 2.0, 2.0])
    found = greatest_likelihood(np.column_stack([np.ones(9), coded, coded**2]), y, np.repeat([0, 0, 1], 3))
    assert not found.bounded


def test_draws_of_a_cut_distribution_are_those_of_scipy():
    rng = np.random.default_rng(1)
    for low, high, middle, sigma in (
        (0.0, 1.0, -2.0, 0.5),
        (0.0, 9.0, 0.3, 1.0),
        (-3.0, 0.0, 2.0, 0.7),
        (1, 1.2, 5, 0.1),
    ):
        shape = np.ones(4000)
        found = between(rng, low * shape, high * shape, middle * shape, sigma * shape)
        cut = stats.truncnorm((low - middle) / sigma, (high - middle) / sigma, middle, sigma)
        assert stats.kstest(found, cut.cdf).pvalue > 0.001


def test_quantiles_of_a_mixture_invert_its_distribution():
    weight = np.array([0.2, 0.5, 0.3])
    middle, scale = np.array([[0.0, 1], [2, 1], [-1, 1]]), np.array([[1.0, 2], [0.5, 2], [3, 2]])
    for share in (0.05, 0.5, 0.95):
        at = mixture_quantile(share, weight, middle, scale, 5)
        below = (weight[:, None] * stats.t.cdf((at - middle) / scale, 5)).sum(axis=0)
        assert below == pytest.approx([share, share], abs=1e-12)


def test_draws_have_the_quantiles_that_are_told():
    trial = drawn(np.random.default_rng(0), lambda z: -0.2 * z[:, 0] ** 2, grid([4], 3), 0.1)
    design = design_of(trial)
    found = fit(design)
    columns = design.columns(np.array([[-1.0], [0.2], [1.0]]))
    ends = found.ends(columns)
    low, high = np.quantile(found.draws(columns), (0.05, 0.95), axis=0)
    assert low == pytest.approx(ends.low, abs=0.05 * (ends.high - ends.low).max())
    assert high == pytest.approx(ends.high, abs=0.05 * (ends.high - ends.low).max())


def test_the_same_data_give_the_same_numbers():
    trial = two_settings()
    one, two = fit(design_of(trial)), fit(design_of(trial))
    assert np.array_equal(one.theta, two.theta)


def test_ranks_and_marks_agree_with_scipy():
    rng = np.random.default_rng(6)
    setting = np.repeat([220.0, 235.0, 250.0], 20)
    marks = rng.integers(1, 6, 60).astype(float) + 0.5 * (setting > 230)
    assert np.array_equal(ranks(marks), stats.rankdata(marks))
    found = clicks_of(setting, marks)
    kruskal = stats.kruskal(*(marks[setting == level] for level in (220, 235, 250)))
    assert found.kruskal == pytest.approx(kruskal.statistic)
    assert found.tail == pytest.approx(kruskal.pvalue, abs=0.02)
    spearman = stats.spearmanr(setting, marks)
    assert found.rise == pytest.approx(spearman.statistic)
    assert found.rise_tail == pytest.approx(spearman.pvalue, abs=0.02)
    assert clicks_of(setting, np.full(60, 3.0)).tail == 1.0


def test_draws_with_what_held_are_those_of_the_posterior():
    """Mean and slope of ten specimens, four of which held: quantiles by a sum over a fine grid of mean, slope and
    scatter, with a flat prior on the first two and Jeffreys' on the third; what held broke below four times that."""
    coded = np.repeat([-1.0, 1.0], 5)[:, None]
    y = np.array([1.0, 1.1, 0.85, 1.2, 1.15, 1.2, 1.2, 1.12, 1.05, 1.2])
    side = np.array([0, 0, 0, 1, 0, 1, 1, 0, 0, 1])
    design = design_of(trial_of(coded, y, side=side, cap=np.log(4.0)))
    found = fit(design, draws=16000)
    mean, slope, log = np.meshgrid(
        np.linspace(0.6, 2.2, 81), np.linspace(-0.7, 1.2, 96), np.linspace(-3.6, 0.6, 61), indexing="ij"
    )
    score = np.zeros_like(mean)
    for z, value, held in zip(coded[:, 0], y, side, strict=True):
        at = (value - mean - slope * z) / np.exp(log)
        most = at + np.log(4.0) / np.exp(log)
        score += (
            np.log(np.maximum(stats.norm.sf(at) - stats.norm.sf(most), 1e-300))
            if held
            else stats.norm.logpdf(at) - log
        )
    weight = np.exp(score - score.max()).ravel()
    weight /= weight.sum()
    ends = found.ends(design.columns(np.array([[-1.0], [0.0], [1.0]])))
    for k, z in enumerate((-1.0, 0.0, 1.0)):
        values = (mean + slope * z).ravel()
        order = np.argsort(values)
        low, high = np.interp((0.05, 0.95), np.cumsum(weight[order]), values[order])
        wide = high - low
        assert ends.low[k] == pytest.approx(low, abs=0.06 * wide)
        assert ends.high[k] == pytest.approx(high, abs=0.06 * wide)
