"""The posterior of the fading model by nested scipy quadrature: slow, plain, independent.

Written from the model's description alone; it shares no code with the grid.
"""

from math import exp, expm1, inf, log, pi, sqrt

from scipy.integrate import quad
from scipy.special import expit, ndtr

from courses.science.fading.inputs import FadingCase

ALL_OF_IT = 20.0


class PlainFading:
    """One case without darkening after its grades; parts may have darkened before them."""

    def __init__(self, case: FadingCase) -> None:
        self.case = case
        self.sd = case.prior.log_sd
        self.common = sqrt(case.model.patient_share)
        self.own = sqrt(1 - case.model.patient_share)
        self.mean = self._means()
        self.need = -log(1 - case.goal.clearance)
        self.live = [i for i, part in enumerate(case.parts) if not part.cleared]

    def done_within(self, n: int) -> float:
        """P(every live part is done within n further sessions | grades)."""
        return self._ratio(lambda index: self._cut(index, n) if index in self.live else -inf)

    def part_done_within(self, key: str, n: int) -> float:
        """P(one part is done within n further sessions | grades)."""
        return self._ratio(
            lambda index: self._cut(index, n) if self.case.parts[index].key == key else -inf
        )

    def rate_below(self, key: str, rate: float) -> float:
        """P(k of a part <= rate | grades)."""
        return 1 - self._ratio(
            lambda index: log(rate) if self.case.parts[index].key == key else -inf
        )

    def _ratio(self, cut):
        parts = range(len(self.case.parts))
        cuts = [cut(index) for index in parts]

        def above(a):
            value = normal(a)
            for index in parts:
                value *= self._mass(index, a, cuts[index])
            return value

        def whole(a):
            value = normal(a)
            for index in parts:
                value *= self._mass(index, a, -inf)
            return value

        return quad(above, -7, 7)[0] / quad(whole, -7, 7)[0]

    def _mass(self, index, a, cut):
        """Integral over the part's own deviation v of normal(v) x likelihood, where log k > cut."""

        def log_rate(v):
            return self.mean[index] + self.sd * (self.common * a + self.own * v)

        start = (cut - log_rate(0.0)) / (self.sd * self.own) if cut > -inf else -inf
        low = max(-7.5, start)
        if low >= 7.5:
            return 0.0
        return quad(lambda v: normal(v) * self._likelihood(index, exp(log_rate(v))), low, 7.5)[0]

    def _likelihood(self, index, rate):
        key = self.case.parts[index].key
        value, previous = 1.0, None
        for grade in self.case.grades:
            if grade.part != key:
                continue
            gone = rate * self._effect(index, before=grade.graded_on)
            truth = log(expm1(gone)) if gone > 0 else -inf
            scale = self.case.model.grader_scale
            upper = 1.0 if grade.high == 1 else expit((logit(grade.high) - truth) / scale)
            lower = 0.0 if grade.low == 0 else expit((logit(grade.low) - truth) / scale)
            repeated = previous is not None and (previous.low, previous.high) == (
                grade.low,
                grade.high,
            )
            value *= upper if repeated else upper - lower
            previous = grade
        return value

    def _effect(self, index, *, before=None):
        key = self.case.parts[index].key
        return sum(
            self.case.model.match_factor[session.matches[key]]
            for session in self.case.sessions
            if key in session.matches and (before is None or session.treated_on < before)
        )

    def _cut(self, index, n):
        part = self.case.parts[index]
        effect = self._effect(index) + n * self.case.model.match_factor[part.planned]
        return log(self.need / effect) if effect else inf

    def _means(self):
        factors = [self.case.model.technique_factor[part.technique] for part in self.case.parts]
        base = log(log(20)) - self.case.prior.log_sessions
        if not self.case.prior.of_tattoo:
            return [base + log(factor) for factor in factors]
        lags = [log(factor / min(factors)) for factor in factors]
        own_sd = self.sd * self.own

        def all_below(m):
            value = 1.0
            for lag in lags:
                value *= ndtr((m + lag) / own_sd)
            return value

        # E[max] = integral of (1 - F) above 0 less the integral of F below 0
        shift = (
            quad(lambda m: 1 - all_below(m), 0, ALL_OF_IT * own_sd)[0]
            - quad(all_below, -max(lags) - ALL_OF_IT * own_sd, 0)[0]
        )
        return [base + shift + lag for lag in lags]


def normal(x):
    """Standard normal density."""
    return exp(-x * x / 2) / sqrt(2 * pi)


def logit(fraction):
    """Log odds."""
    return log(fraction / (1 - fraction))
