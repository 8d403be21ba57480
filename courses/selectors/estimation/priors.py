"""How a chain reads the six-parameter scale: by an accepted calibration, or by its own setting."""

from clinics.models import Chain
from courses.models import CalibrationRun
from courses.science.estimate.prior import PUBLISHED_PRIOR, PriorSettings
from courses.vocabulary import CalibrationStatus


def prior_of_chain(chain: Chain) -> PriorSettings:
    """The prior in force. One query.

    The calibration that a clinician accepted comes first, then the chain's own multiplier, then
    the published reading.
    """
    accepted = CalibrationRun.objects.filter(chain=chain, status=CalibrationStatus.ACCEPTED).first()
    if accepted is not None:
        return prior_of_run(accepted)
    multiplier = float(chain.session_multiplier)
    if multiplier == PUBLISHED_PRIOR.multiplier:
        return PUBLISHED_PRIOR
    return PriorSettings(
        multiplier=multiplier,
        version=f"chain:{chain.pk}:{chain.version}",
        source="multiplier set by the chain",
    )


def prior_of_run(run: CalibrationRun) -> PriorSettings:
    """The prior that a calibration run proposes. Raises ValueError when it proposes none."""
    if run.multiplier is None or run.coefficient_of_variation is None:
        raise ValueError(f"calibration run {run.pk} proposes nothing")
    return PriorSettings(
        multiplier=run.multiplier,
        coefficient_of_variation=run.coefficient_of_variation,
        version=f"calibration:{run.number}",
        source=f"refit of {run.courses} courses of the chain, {run.reached} at their goal",
    )
