"""Normal laws: the numbers and small functions that every room to the right shares."""

from __future__ import annotations

# 90 % of a normal law lie within so many standard deviations of its mean.
Z90 = 1.6448536269514722
