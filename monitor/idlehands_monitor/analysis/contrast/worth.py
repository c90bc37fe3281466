"""From which size on a difference is worth naming: one limit each, with its reason.

The limits are chosen so that two runs of an unchanged healthy job rarely differ by more. How often
they do was measured, see docs/contrast.md. With several captures a side the interval must exclude
no difference as well, and the limits for one capture a side do not apply.
"""

from __future__ import annotations

LEAST_GAIN = 0.05
"""How much sooner or later, where each side has several captures: as in `model.whatif`."""
LEAST_GAIN_OF_ONE = 0.15
"""The same for one capture a side: what the machine does beside the job changes most runs by
less."""
LEAST_TIME, LEAST_TIME_OF_ONE = 0.05, 0.10
"""Points of the worker time, as findings are silent below so much; of one capture a side."""
LEAST_RATIO, LEAST_RATIO_OF_ONE = 1.10, 1.25
"""Medians of a kind, the larger over the smaller; of one capture a side."""
LEAST_SUPERIORITY = 0.64
"""A medium effect: A. Vargha, H. D. Delaney (2000), see `stats.rank_test`."""
LARGEST_P = 0.05
"""Adjusted over all kinds (Benjamini and Hochberg)."""
LEAST_CALLS = 10
"""Of a kind on each side: the median of fewer is one call's chance (common practice, no source)."""
LEAST_COST = 0.03
"""Of a pool's time in tasks: what the change of a kind's time costs or saves it."""
LEAST_FINDING = 0.10
"""Gain, as a share, of a finding that is gone or new: twice the gain at which it begins, so that
a gain near that line does not come and go."""
LEAST_ATTEMPTS = 200
"""Steal attempts on each side (chosen)."""
LEAST_STEAL_RATIO = 2.0
"""Steal attempts for each task, the larger over the smaller (chosen)."""
LEAST_STEAL_POINTS = 0.20
"""Points of the share of hits, of stolen tasks, and of the concentration on victims (chosen)."""
EQUAL_WORK = 0.02
"""Sides whose calls from outside differ by at most so much did the same work."""
EQUAL_LENGTH = 0.05
"""Runs of unequal work whose lengths differ by at most so much ended with the time, not with the
work."""
LEAST_TASKS = 30
"""From outside, to compare rates or percentiles (common practice, no source)."""
