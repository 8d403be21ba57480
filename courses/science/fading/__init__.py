"""How ink fades from session to session, part by part, and what the grades say about it.

Model. For a part p of a tattoo, the share of ink left after sessions with relative effects m_s is

    residual = exp(-(d + k_p * E)),   E = sum of m_s since the part's last new start

with k_p the fall of log ink per session at a first-choice wavelength, and d = 0 unless the ink
darkened. log k_p = mu_p + sigma * b_p; b_p = sqrt(w) * a + sqrt(1 - w) * v_p with a and v_p
standard normal: the parts depend on each other only through the patient (a), which carries the
share w of the variance. Sessions are whole: a part is done after the first session that brings its
residual to the goal or below; the tattoo is done when its slowest part is.

Update. A grade says that a person placed the part in a band. The grader's judgement is logistic
about the true clearance on the logit scale. The posterior is computed exactly on a grid: a on 41
points over +-6, b on 281 points over +-7 (standard deviations of the prior), both with a step
well under the width of the sharpest posterior that ten grades give.
"""
