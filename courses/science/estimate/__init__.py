"""How many sessions a course will take, as a distribution with reasons and sources.

Prior. The six-parameter scale gives a mean (multiplier x score, plus what a palpable tattoo adds
beyond its points for ink and scar). Whole sessions are counted up, so the continuous need lies
half a session below. The need is log-normal about it.

Spread. Published: r = 0.757 between score and sessions, and an error of about 2.5 sessions. Read
as a standard deviation about the line sessions = score, 2.5 gives the score a standard deviation
of 2.5 r / sqrt(1 - r^2) = 2.9 points and the sessions one of 3.8, as one would expect of a scale
from 4 to 26; read as a 95 % limit it would leave the scores a deviation of 1.5, too narrow for it.
The error is taken to grow with the count: a coefficient of variation of
2.5 / sqrt(9.9^2 + 2.9^2) = 0.242 has a mean square of 2.5^2 over scores with mean 9.9 (the one
published mean, 2024 cohort) and deviation 2.9, and gives r = 0.757 there. All derived.

Update. Grades move the estimate through the fading model of each part, whose prior is this one:
before any grade both say the same. Lightening to a clearance c takes ln(1 / (1 - c)) / ln 20 of
the need to clear (95 %).
"""
