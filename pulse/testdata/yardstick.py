"""Figures of a dial's recording with pandas and NumPy, to measure speed against.

python3 yardstick.py FILE, a CSV file whose first line is time_ns,level. It
settles the edges with vectorised NumPy (levels held for 4 ms count, from the
first edge of their burst) and prints count, mean, standard deviation and
quantiles of rate, percent break, break, make, gap and bounce: less than
`measure` does, which also follows levels, judges, and writes every train.
"""

import sys

import numpy
import pandas

rows = pandas.read_csv(sys.argv[1])
time = rows.iloc[:, 0].to_numpy(numpy.int64)
level = rows.iloc[:, 1].to_numpy(numpy.int8)

last = numpy.flatnonzero(numpy.diff(time, append=time[-1] + 10**9) >= 4_000_000)
first = numpy.r_[0, last[:-1] + 1]
settled = level[last]
changed = settled != numpy.r_[1 - settled[0], settled[:-1]]
at, to = time[first][changed], settled[changed]

span = numpy.diff(at)
opened, closed = span[to[:-1] == 0], span[to[:-1] == 1]
n = min(len(opened), len(closed))
opened, closed = opened[:n], closed[:n]
gap = closed > 200_000_000
period = (opened + closed)[~gap] / 1e9
bounce = (time[last] - time[first])[last > first]

for name, values in [
    ("rate", 1 / period),
    ("percent break", opened[~gap] / 1e7 / period),
    ("break", opened / 1e9),
    ("make", closed[~gap] / 1e9),
    ("gap", closed[gap] / 1e9),
    ("bounce", bounce / 1e9),
]:
    if len(values) > 1:
        quantiles = numpy.percentile(values, [0, 5, 25, 50, 75, 95, 100])
        print(name, len(values), values.mean(), values.std(ddof=1), *quantiles)
