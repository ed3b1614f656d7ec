"""Makes the figures that tests of this package have from SciPy and NumPy.

Run it here: python3 figures.py. SciPy 1.10.1 and NumPy 1.24.2 gave the figures
in conformity_test.go, quantile_test.go, stability_test.go and wander_test.go.
"""

import numpy
from scipy.integrate import quad
from scipy.stats import beta, chi2, norm, ttest_ind

print("UpperBound95: one-sided Clopper-Pearson, k out of n")
for k, n in [(1, 10), (2, 10), (5, 10), (9, 10), (3, 100), (17, 40000), (1, 10000000)]:
    print(k, n, repr(beta.ppf(0.95, k + 1, n - k)))

print("TestRisks: process of mean 0 and u 0.12 within 0.2, measured with u 0.04")
for limit in [0.20, 0.18, 0.16, 0.12, 0.24, 0.20]:

    def accepted(y):
        return norm.cdf((limit - y) / 0.04) - norm.cdf((-limit - y) / 0.04)

    def density(y):
        return norm.pdf(y, 0, 0.12)

    inside, _ = quad(lambda y: density(y) * (1 - accepted(y)), -0.2, 0.2, epsabs=1e-12)
    outside, _ = quad(lambda y: density(y) * accepted(y), 0.2, 1.5, epsabs=1e-12)
    print(f"acceptance limit {limit:.2f}: consumer {2 * outside:.5f}, producer {inside:.5f}")

print("Quantiles of the StRD sets, method linear, 5 25 50 90 95 %")
for name in ["lew", "lottery", "mavro", "michelson"]:
    values = []
    for line in open(f"strd_{name}.txt"):
        line = line.split("#")[0].strip()
        try:
            values.append(float(line))
        except ValueError:
            continue  # of the head
    print(name, len(values), [float(x) for x in numpy.percentile(values, [5, 25, 50, 90, 95])])

print("Theil-Sen slopes with their 95 % intervals: trend_test.go")
from scipy.stats import theilslopes


def lehmer(n, seed=1234567890):
    """The generator of NIST SP 1065, section 12.4, as fractions of 1."""
    out = []
    for _ in range(n):
        out.append(seed / 2147483647)
        seed = 16807 * seed % 2147483647
    return numpy.array(out)


y = [21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19]
x = [67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51]
print("statpsych", theilslopes(y, x)[0], theilslopes(y, x)[2:])
for n in [10, 31, 100, 240]:
    u = lehmer(n) + 0.01 * numpy.arange(n)
    print(n, [repr(float(v)) for v in (theilslopes(u)[0], *theilslopes(u)[2:])])

print("Mann-Kendall S and its variance with ties, by pairs and by Kendall's tau: trend_test.go")
from scipy.stats import kendalltau

for n in [12, 40]:
    u = numpy.round(10 * lehmer(n)) + 0.1 * numpy.arange(n)
    u = numpy.floor(u)
    s = sum(numpy.sign(u[i] - u[j]) for i in range(n) for j in range(i))
    print(n, int(s), u.astype(int).tolist(), "tau-b", repr(float(kendalltau(numpy.arange(n), u)[0])))

print("TestChiSquaredIntervals: 95 % interval of a standard deviation of 1")
for edf in [1, 1.5, 3, 10, 57.3, 1000, 9999, 10001, 250000, 1e7]:
    print(edf, [float((edf / chi2.ppf(p, edf)) ** 0.5) for p in (0.975, 0.025)])

print("TestSineSums: the periodogram of Lomb and Scargle, classic and without normalisation")
from scipy.signal import lombscargle

i = numpy.arange(64)
t = i + 0.25 * numpy.sin(1.7 * i)
y = 1.5 * numpy.cos(2 * numpy.pi * 0.1 * t + 0.7)
f = numpy.array([0.05, 0.09, 0.10, 0.11, 0.20])
print([float(x) for x in lombscargle(t, y, 2 * numpy.pi * f)])

print("TestSwingProbability: tails of F, and of the Rice distribution")
import scipy.stats

print([float(scipy.stats.f.sf(x, 2, n)) for x, n in [(3, 14), (10, 14), (20, 78)]])
print([float(scipy.stats.rice.cdf(a, b)) for a, b in [(1, 0), (3, 2), (3, 4), (25, 24), (0.5, 3)]])

print("TestFitDriveAgainstLeastSquares: cos and sin of motor and idler, ns, and lobes against the last, ns")
# Openings of a cam of six lobes, every 17th missing, in blocks of six turns with a cubic each.
n = numpy.array([k for k in range(6 * 61 + 1) if k % 17 != 5])
turn = n / 6
late = (
    3e5 * numpy.sin(2 * numpy.pi * 3.75 * turn + 0.5)
    + 1e5 * numpy.cos(2 * numpy.pi * 18.75 * turn)
    + 4e5 * (n % 6 == 1)
    + 2e4 * turn + 3e2 * turn**2
    + 5e4 * numpy.sin(1.3 * n * n)  # for noise: it is bounded, so no weight is lost
)
at = numpy.rint(n * 1e8 + late)
block = numpy.minimum(n // 6 // 6, 9)
shift = numpy.zeros(6)  # where each lobe's opening really is, in turns
for _ in range(3):
    columns = []
    for order in [18.75, 3.75]:
        angle = 2 * numpy.pi * order * (turn + shift[n % 6])
        columns += [numpy.cos(angle), numpy.sin(angle)]
    columns += [(n % 6 == k).astype(float) for k in range(5)]
    for b in range(10):
        for p in range(4):
            columns.append(numpy.where(block == b, (turn / 3 - 2 * b - 1) ** p, 0))
    x, *_ = numpy.linalg.lstsq(numpy.array(columns).T, at - n * 1e8, rcond=None)
    lobes = numpy.append(x[4:9], 0)
    length = (at[-1] - at[0]) / (n[-1] - n[0]) * 6
    shift = (lobes - lobes.mean()) / length
print([float(v) for v in x[:9]])

print("TestWelch: t test of unequal variances (values invented)")
before = [60.12, 59.87, 60.05, 59.91, 60.20, 59.98, 60.07, 59.83]
after = [60.61, 60.12, 60.95, 60.33, 59.98, 60.77]
t = ttest_ind(after, before, equal_var=False)
print(repr(t.statistic), repr(t.pvalue), numpy.mean(after) - numpy.mean(before))
