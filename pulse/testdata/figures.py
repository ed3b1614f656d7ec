"""Makes the figures that tests of this package have from SciPy and NumPy.

Run it here: python3 figures.py. SciPy 1.10.1 and NumPy 1.24.2 gave the figures
in conformity_test.go, quantile_test.go and stability_test.go.
"""

import numpy
from scipy.integrate import quad
from scipy.stats import beta, chi2, norm

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

print("TestChiSquaredIntervals: 95 % interval of a standard deviation of 1")
for edf in [1, 1.5, 3, 10, 57.3, 1000, 9999, 10001, 250000, 1e7]:
    print(edf, [float((edf / chi2.ppf(p, edf)) ** 0.5) for p in (0.975, 0.025)])
